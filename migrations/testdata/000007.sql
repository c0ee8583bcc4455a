insert into sample_day (client_id, series_id, starts_at, ends_at, data, hours) values
	('00000000-0000-7000-8000-00000000000a', '00000000-0000-7000-8000-000000000015', '2026-01-31 23:00Z', '2026-02-01 23:00Z', '\x08', '\x09');
