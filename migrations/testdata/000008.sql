insert into rule_profile (id, version, created_at, recorded_at, code, edition, asks) values
	('00000000-0000-7000-8000-000000000071', 1, '2026-01-01Z', '2026-01-01Z', 'house', '1', '{}');
insert into rule_profile_version select * from rule_profile;
