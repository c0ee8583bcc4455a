drop index certificate_document_sha256_idx;
alter table certificate_version alter column instrument_id set not null;
alter table certificate drop constraint certificate_of_an_instrument, alter column instrument_id set not null;
alter table certificate_version drop column parts;
alter table certificate drop column parts;
