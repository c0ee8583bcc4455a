insert into sound_event (client_id, id, version, created_at, recorded_at, survey_id, position_id, kind, note, starts_at, ends_at, author, removed) values
	('00000000-0000-7000-8000-00000000000a', '00000000-0000-7000-8000-000000000079', 1, '2026-01-01Z', '2026-01-01Z',
		'00000000-0000-7000-8000-000000000012', '00000000-0000-7000-8000-000000000011', 'freight train', 'invented', '2026-01-01Z', '2026-01-01 00:01Z', 'invented key', false);
insert into sound_event_version select * from sound_event;
