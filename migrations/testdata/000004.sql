insert into instrument (id, version, created_at, recorded_at, kind, manufacturer, model, serial_number, class, specification) values
	('00000000-0000-7000-8000-000000000031', 1, '2026-01-01Z', '2026-01-01Z', 'microphone', 'Invented Works', 'P', '1', '', '');
insert into instrument_version select * from instrument where id = '00000000-0000-7000-8000-000000000031';

insert into event (id, version, created_at, recorded_at, instrument_id, kind, on_day, ends_cover, before_calibration, note) values
	('00000000-0000-7000-8000-000000000032', 1, '2026-02-04Z', '2026-02-04Z', '00000000-0000-7000-8000-00000000000d',
		'repair', '2026-02-03', true, false, 'Invented');

insert into component (id, version, created_at, recorded_at, instrument_id, part_id, starts_at) values
	('00000000-0000-7000-8000-000000000033', 1, '2026-02-04Z', '2026-02-04Z', '00000000-0000-7000-8000-00000000000d',
		'00000000-0000-7000-8000-000000000031', '2026-01-02Z');

insert into certificate_status (id, version, created_at, recorded_at, certificate_id, status, effective_from, decided_by, reason) values
	('00000000-0000-7000-8000-000000000034', 1, '2026-02-04Z', '2026-02-04Z', '00000000-0000-7000-8000-00000000000f',
		'withdrawn', '2026-02-01', 'A. Nobody', 'Invented');

insert into document (sha256, data) values ('\x0a', '%PDF-');
insert into certificate_document (id, version, created_at, recorded_at, media_type, bytes, sha256) values
	('00000000-0000-7000-8000-00000000000f', 1, '2026-02-04Z', '2026-02-04Z', 'application/pdf', 5, '\x0a');

insert into person (id, version, created_at, recorded_at, name, authorisations) values
	('00000000-0000-7000-8000-000000000035', 1, '2026-02-04Z', '2026-02-04Z', 'A. Nobody', '[]');

insert into disposition (client_id, id, version, created_at, recorded_at, survey_id, finding_key, decision, reason, decided_by) values
	('00000000-0000-7000-8000-00000000000a', '00000000-0000-7000-8000-000000000036', 1, '2026-02-04Z', '2026-02-04Z',
		'00000000-0000-7000-8000-000000000012', '0123456789abcdef', 'accept', 'Invented', 'A. Nobody');

insert into event_version select * from event;
insert into component_version select * from component;
insert into certificate_status_version select * from certificate_status;
insert into certificate_document_version select * from certificate_document;
insert into person_version select * from person;
insert into disposition_version select * from disposition;
