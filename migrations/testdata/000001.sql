-- A row in every table of step 1. All of it is invented; the bytes of samples and
-- files stand for themselves, nothing decodes them.
insert into secret (name, value) values ('cursor', '\x01');

insert into api_key (id, record_id, version, created_at, recorded_at, secret_hash, name, role, client_ids, expires_at) values
	('aaaaaaaaaaaa', '00000000-0000-7000-8000-000000000001', 1, '2026-01-01Z', '2026-01-01Z', '\x02', 'Field phone', 'field',
		'{00000000-0000-7000-8000-00000000000a}', '2031-01-01Z');

insert into kept_answer (key_id, method, path, idempotency_key, request_sha256, status, headers, body, created_at) values
	('aaaaaaaaaaaa', 'POST', '/v1/clients', 'k', '\x03', 201, '{"ETag": ["\"1\""]}', '{}', '2026-01-02Z');

insert into client (id, version, created_at, recorded_at, name, reference) values
	('00000000-0000-7000-8000-00000000000a', 1, '2026-01-01Z', '2026-01-01Z', 'Invented Quarry', 'IQ');

insert into job_number (reference, client_id, project_id) values
	('26-001', '00000000-0000-7000-8000-00000000000a', '00000000-0000-7000-8000-00000000000b');

insert into laboratory (id, version, created_at, recorded_at, name, accreditations) values
	('00000000-0000-7000-8000-00000000000c', 1, '2026-01-01Z', '2026-01-01Z', 'Invented Laboratory', '[]');

insert into instrument (id, version, created_at, recorded_at, kind, manufacturer, model, serial_number, class, specification) values
	('00000000-0000-7000-8000-00000000000d', 1, '2026-01-01Z', '2026-01-01Z', 'sound_level_meter', 'Invented Works', 'M', '1', '1', 'IEC 61672-1'),
	('00000000-0000-7000-8000-00000000000e', 1, '2026-01-01Z', '2026-01-01Z', 'calibrator', 'Invented Works', 'C', '1', '1', 'IEC 60942');

insert into layout (id, version, created_at, recorded_at, name, instrument_id, layout, removed) values
	('00000000-0000-7000-8000-000000000017', 1, '2026-01-01Z', '2026-01-01Z', 'Invented Works M',
		'00000000-0000-7000-8000-00000000000d', '{"Delimiter": ";"}', false);

insert into certificate (id, version, created_at, recorded_at, instrument_id, laboratory_id, state, accreditation, accredited, scope,
	item_serial_number, number, revision, calibrated_from, calibrated_on, issued_on, standard, as_found, as_left, adjusted,
	pattern_evidence, person_authorising, reference_standards, results) values
	('00000000-0000-7000-8000-00000000000f', 1, '2026-01-01Z', '2026-01-01Z', '00000000-0000-7000-8000-00000000000e',
		'00000000-0000-7000-8000-00000000000c', 'confirmed', 'INVENTED-1', true, '{}', '1', 'N-1', 0, '2025-12-01', '2025-12-02', '2025-12-03',
		'IEC 60942', 'pass', 'pass', false, 'public', 'A. Nobody', '[]', '[]');

insert into field_check (id, version, created_at, recorded_at, instrument_id, calibrator_id, certificate_id, channel, at,
	nominal_db, frequency_hz, expected_db, as_found_db, signal, weighting,
	pressure_correction_db, volume_correction_db, microphone_correction_db) values
	('00000000-0000-7000-8000-000000000010', 1, '2026-02-01Z', '2026-02-01Z', '00000000-0000-7000-8000-00000000000d',
		'00000000-0000-7000-8000-00000000000e', '00000000-0000-7000-8000-00000000000f', 1, '2026-02-01Z',
		94.00, 1000, 93.90, 93.80, 'acoustic', 'A', 0.01, 0.02, -0.13);

insert into project (client_id, id, version, created_at, recorded_at, reference, title, time_zone) values
	('00000000-0000-7000-8000-00000000000a', '00000000-0000-7000-8000-00000000000b', 1, '2026-01-01Z', '2026-01-01Z',
		'26-001', 'Invented project', 'Europe/Dublin');

insert into position (client_id, id, version, created_at, recorded_at, project_id, number, label, setting) values
	('00000000-0000-7000-8000-00000000000a', '00000000-0000-7000-8000-000000000011', 1, '2026-01-01Z', '2026-01-01Z',
		'00000000-0000-7000-8000-00000000000b', 1, 'Gate', 'free_field');

insert into survey (client_id, id, version, created_at, recorded_at, project_id, kind, operator, started_at, rule_profile, rule_profile_edition) values
	('00000000-0000-7000-8000-00000000000a', '00000000-0000-7000-8000-000000000012', 1, '2026-02-01Z', '2026-02-01Z',
		'00000000-0000-7000-8000-00000000000b', 'environmental', 'A. Nobody', '2026-02-01Z', 'house', '1');

insert into file (client_id, id, created_at, name, bytes, sha256) values
	('00000000-0000-7000-8000-00000000000a', '00000000-0000-7000-8000-000000000013', '2026-02-02Z', 'log.csv', 1, '\x04');

insert into file_part (client_id, file_id, part, data) values
	('00000000-0000-7000-8000-00000000000a', '00000000-0000-7000-8000-000000000013', 0, '\x05');

insert into upload (client_id, id, created_at, expires_at, survey_id, key_id, name, media_type, bytes, sha256, received, state, writer) values
	('00000000-0000-7000-8000-00000000000a', '00000000-0000-7000-8000-000000000018', '2026-02-02Z', '2026-02-09Z',
		'00000000-0000-7000-8000-000000000012', 'aaaaaaaaaaaa', 'night.csv', 'text/csv', 3, '\x04', 2, 'open', 1);

insert into import (client_id, id, version, created_at, recorded_at, survey_id, file_id, state, sha256, options_sha256, options, result) values
	('00000000-0000-7000-8000-00000000000a', '00000000-0000-7000-8000-000000000014', 1, '2026-02-02Z', '2026-02-02Z',
		'00000000-0000-7000-8000-000000000012', '00000000-0000-7000-8000-000000000013', 'accepted', '\x04', '\x06', '{}', '{}');

insert into series (client_id, id, version, created_at, recorded_at, survey_id, position_id, instrument_id, channel, quantity,
	interval_us, import_id, withdrawn) values
	('00000000-0000-7000-8000-00000000000a', '00000000-0000-7000-8000-000000000015', 1, '2026-02-02Z', '2026-02-02Z',
		'00000000-0000-7000-8000-000000000012', '00000000-0000-7000-8000-000000000011', '00000000-0000-7000-8000-00000000000d',
		1, 'LAeq', 1000000, '00000000-0000-7000-8000-000000000014', false);

insert into exclusion (client_id, id, version, created_at, recorded_at, series_id, starts_at, ends_at, reason, author, removed) values
	('00000000-0000-7000-8000-00000000000a', '00000000-0000-7000-8000-000000000016', 1, '2026-02-03Z', '2026-02-03Z',
		'00000000-0000-7000-8000-000000000015', '2026-02-01Z', '2026-02-01 00:01Z', 'Dog', 'A. Nobody', false);

insert into series_content (client_id, series_id, revision, starts_at, ends_at, numbers, under, over, lowest, highest) values
	('00000000-0000-7000-8000-00000000000a', '00000000-0000-7000-8000-000000000015', 1, '2026-02-01Z', '2026-02-01 00:00:01Z', 1, 0, 0, 5500, 5500);

insert into sample_block (client_id, series_id, hour, numbers, lowest, highest, data) values
	('00000000-0000-7000-8000-00000000000a', '00000000-0000-7000-8000-000000000015', '2026-02-01Z', 1, 5500, 5500, '\x07');

insert into sample_day (client_id, series_id, day, data) values
	('00000000-0000-7000-8000-00000000000a', '00000000-0000-7000-8000-000000000015', '2026-02-01', '\x08');

insert into instrument_use (instrument_id, channel, client_id, survey_id, series_id, quantity, during, recorded_at, live) values
	('00000000-0000-7000-8000-00000000000d', 1, '00000000-0000-7000-8000-00000000000a', '00000000-0000-7000-8000-000000000012',
		'00000000-0000-7000-8000-000000000015', 'LAeq', '[2026-02-01Z, 2026-02-01 00:00:01Z)', '2026-02-02Z', false);

insert into client_version select * from client;
insert into laboratory_version select * from laboratory;
insert into instrument_version select * from instrument;
insert into layout_version select * from layout;
insert into certificate_version select * from certificate;
insert into field_check_version select * from field_check;
insert into project_version select * from project;
insert into position_version select * from position;
insert into survey_version select * from survey;
insert into series_version select * from series;
insert into exclusion_version select * from exclusion;
insert into import_version select * from import;

insert into journal (at, key_id, actor, request_id, type, record_type, record_id, client_id, version, reason) values
	('2026-02-02Z', 'aaaaaaaaaaaa', 'Field phone', 'r', 'survey.created', 'survey', '00000000-0000-7000-8000-000000000012',
		'00000000-0000-7000-8000-00000000000a', 1, '');

insert into journal_open (entry_id) select id from journal;

insert into journal_seal (seq, entry_id, sealed_at, sha256) select 1, id, at, '\x07' from journal;
