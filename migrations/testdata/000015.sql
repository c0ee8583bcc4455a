insert into sign_off (client_id, id, version, created_at, recorded_at, survey_id, survey_version, revision, statement, signed_by, outcome, sha256, page_sha256) values
	('00000000-0000-7000-8000-00000000000a', '00000000-0000-7000-8000-000000000061', 1, '2026-02-05Z', '2026-02-05Z',
		'00000000-0000-7000-8000-000000000012', 1, 1, 'Invented', 'A. Nobody', 'valid', '\x0a', '\x0b');
insert into sign_off_version select * from sign_off;

insert into sign_off_copy (client_id, sign_off_id, frozen, page) values
	('00000000-0000-7000-8000-00000000000a', '00000000-0000-7000-8000-000000000061', '{}', '<p>');

insert into sign_off_review (client_id, id, version, created_at, recorded_at, sign_off_id, step, decision, reason, author) values
	('00000000-0000-7000-8000-00000000000a', '00000000-0000-7000-8000-000000000062', 1, '2026-02-06Z', '2026-02-06Z',
		'00000000-0000-7000-8000-000000000061', 'opened', '', 'Invented', 'A. Nobody');
insert into sign_off_review_version select * from sign_off_review;

insert into sign_off_check (client_id, sign_off_id, checked_at, figures_basis, verdict_basis) values
	('00000000-0000-7000-8000-00000000000a', '00000000-0000-7000-8000-000000000061', '2026-02-06Z', '1', '2');
