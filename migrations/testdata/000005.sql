insert into "limit" (client_id, id, version, created_at, recorded_at, project_id, position_id, symbol, level_db, relative, nth, separation_us,
	at, period, yearly, rule, compare, rounding, allowed_chance, source, removed) values
	('00000000-0000-7000-8000-00000000000a', '00000000-0000-7000-8000-000000000051', 1, '2026-01-01Z', '2026-01-01Z',
		'00000000-0000-7000-8000-00000000000b', '00000000-0000-7000-8000-000000000011', 'Lnight', 45.00, '', 0, 0,
		'free_field', '', false, 'simple', 'greater', 'none', 0, 'invented permit', false);
insert into limit_version select * from "limit";
