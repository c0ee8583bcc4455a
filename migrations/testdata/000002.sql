insert into river_job (kind, args, max_attempts) values ('seal', '{}', 1);
insert into river_leader (elected_at, expires_at, leader_id) values ('2026-02-02Z', '2026-02-02 00:00:15Z', 'a');
insert into river_queue (name) values ('default');
insert into river_notification (payload, topic) values ('{}', 'a');

insert into webhook (id, version, created_at, recorded_at, key_id, client_ids, name, url, types, enabled, disabled_reason) values
	('00000000-0000-7000-8000-000000000021', 1, '2026-02-02Z', '2026-02-02Z', 'aaaaaaaaaaaa',
		'{00000000-0000-7000-8000-00000000000a}', 'Job system', 'https://jobs.example/hook', '{survey.*}', true, '');

insert into webhook_secret (webhook_id, created_at, value) values ('00000000-0000-7000-8000-000000000021', '2026-02-02Z', '\x09');

insert into webhook_delivery (id, webhook_id, seq, created_at, round, state, attempts, error) values
	('00000000-0000-7000-8000-000000000022', '00000000-0000-7000-8000-000000000021', 1, '2026-02-02Z', 1, 'delivered', 1, '');
