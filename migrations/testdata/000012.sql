insert into nonconformity (id, version, created_at, recorded_at, what, found_on, survey_ids, instrument_ids, certificate_ids, decision, informed) values
	('00000000-0000-7000-8000-000000000121', 1, '2026-02-04Z', '2026-02-04Z', 'Invented', '2026-02-03',
		'{00000000-0000-7000-8000-000000000012}', '{}', '{}', '', '[]');
insert into nonconformity_version select * from nonconformity;
