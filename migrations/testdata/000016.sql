insert into calendar_feed (id, version, created_at, recorded_at, name, within_days, rule_profile, secret_hash, last_used_at) values
	('00000000-0000-7000-8000-000000000081', 1, '2026-01-01Z', '2026-01-01Z', 'invented calendar', 60, '', decode(repeat('ab', 32), 'hex'), '2026-01-02Z');
