drop table event_version, component_version, certificate_status_version, certificate_document_version, person_version, disposition_version;
drop table event, component, certificate_status, certificate_document, document, person, disposition;
