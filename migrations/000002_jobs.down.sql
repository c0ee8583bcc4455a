drop table webhook_delivery, webhook_secret, webhook, river_notification, river_queue, river_leader, river_job;
drop function river_job_state_in_bitmask(bit, river_job_state);
drop type river_job_state;
