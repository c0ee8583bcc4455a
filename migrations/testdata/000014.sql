update survey set planned = '{"Instruments": [], "Positions": []}' where id = '00000000-0000-7000-8000-000000000012';

insert into note (client_id, id, version, created_at, recorded_at, survey_id, position_id, at, text, author) values
	('00000000-0000-7000-8000-00000000000a', '00000000-0000-7000-8000-000000000061', 1, '2026-02-02Z', '2026-02-02Z',
		'00000000-0000-7000-8000-000000000012', '00000000-0000-7000-8000-000000000011', '2026-02-02Z', 'Invented', 'A. Nobody');
insert into note_version select * from note;

insert into attachment (client_id, id, version, created_at, recorded_at, survey_id, at, caption, author, file_id, name, media_type, bytes, sha256) values
	('00000000-0000-7000-8000-00000000000a', '00000000-0000-7000-8000-000000000062', 1, '2026-02-02Z', '2026-02-02Z',
		'00000000-0000-7000-8000-000000000012', '2026-02-02Z', 'Invented', 'A. Nobody', '00000000-0000-7000-8000-000000000013',
		'gate.png', 'image/png', 1, '\x04');
insert into attachment_version select * from attachment;
