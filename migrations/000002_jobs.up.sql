-- Background jobs. These are the tables of the job queue's library (River, main line of its
-- migrations at version 8) as it makes them; a test compares the two. Serving needs no rights of an owner.

create type river_job_state as enum (
	'available', 'cancelled', 'completed', 'discarded', 'pending', 'retryable', 'running', 'scheduled');

create table river_job (
	id            bigserial primary key,
	state         river_job_state not null default 'available',
	attempt       smallint not null default 0,
	max_attempts  smallint not null default 25,
	attempted_at  timestamptz,
	created_at    timestamptz not null default now(),
	finalized_at  timestamptz,
	scheduled_at  timestamptz not null default now(),
	priority      smallint not null default 1,
	args          jsonb not null,
	attempted_by  text[],
	errors        jsonb[],
	kind          text not null,
	metadata      jsonb not null default '{}',
	queue         text not null default 'default',
	tags          varchar(255)[] not null default '{}',
	unique_key    bytea,
	unique_states bit(8),
	constraint finalized_or_finalized_at_null check (
		(finalized_at is null and state not in ('cancelled', 'completed', 'discarded')) or
		(finalized_at is not null and state in ('cancelled', 'completed', 'discarded'))),
	constraint max_attempts_is_positive check (max_attempts > 0),
	constraint priority_in_range check (priority >= 1 and priority <= 4),
	constraint queue_length check (char_length(queue) > 0 and char_length(queue) < 128),
	constraint kind_length check (char_length(kind) > 0 and char_length(kind) < 128)
);
create function river_job_state_in_bitmask(bitmask bit(8), state river_job_state) returns boolean
	language sql immutable as $$
    SELECT CASE state
        WHEN 'available' THEN get_bit(bitmask, 7)
        WHEN 'cancelled' THEN get_bit(bitmask, 6)
        WHEN 'completed' THEN get_bit(bitmask, 5)
        WHEN 'discarded' THEN get_bit(bitmask, 4)
        WHEN 'pending'   THEN get_bit(bitmask, 3)
        WHEN 'retryable' THEN get_bit(bitmask, 2)
        WHEN 'running'   THEN get_bit(bitmask, 1)
        WHEN 'scheduled' THEN get_bit(bitmask, 0)
        ELSE 0
    END = 1;
$$;
create index river_job_kind on river_job (kind);
create index river_job_state_and_finalized_at_index on river_job (state, finalized_at) where finalized_at is not null;
create index river_job_prioritized_fetching_index on river_job (state, queue, priority, scheduled_at, id);
create index river_job_args_index on river_job using gin (args);
create index river_job_metadata_index on river_job using gin (metadata);
create unique index river_job_unique_idx on river_job (unique_key)
	where unique_key is not null and unique_states is not null and river_job_state_in_bitmask(unique_states, state);

create unlogged table river_leader (
	elected_at timestamptz not null,
	expires_at timestamptz not null,
	leader_id  text not null,
	name       text primary key default 'default',
	constraint leader_id_length check (char_length(leader_id) > 0 and char_length(leader_id) < 128),
	constraint name_length check (name = 'default')
);

create table river_queue (
	name       text primary key,
	created_at timestamptz not null default now(),
	metadata   jsonb not null default '{}',
	paused_at  timestamptz,
	updated_at timestamptz not null default current_timestamp
);

create table river_notification (
	id         bigserial primary key,
	created_at timestamptz not null default now(),
	payload    text not null,
	topic      text not null,
	constraint topic_length check (length(topic) > 0 and length(topic) < 128)
);
create index river_notification_created_at_idx on river_notification (created_at);
create index river_notification_topic_id_idx on river_notification (topic, id);

grant select, insert, update, delete on river_job, river_leader, river_queue, river_notification to leveltrail_app;
grant usage on sequence river_job_id_seq, river_notification_id_seq to leveltrail_app;

-- Where changes are sent to.
create table webhook (
	id              uuid primary key,
	version         integer not null check (version > 0),
	created_at      timestamptz not null,
	recorded_at     timestamptz not null,
	key_id          text not null, -- public part of the key that made it
	client_ids      uuid[], -- whose changes are sent, as that key saw them; null: every client's
	name            text not null,
	url             text not null check (url like 'https://%'),
	types           text[] not null, -- of changes: "survey.created", "survey.*"; empty: all
	enabled         boolean not null,
	disabled_reason text not null
);
create index webhook_key_id_idx on webhook (key_id);

-- What a webhook's messages are signed with, as it is: signing needs it. At most two, while one follows another.
create table webhook_secret (
	webhook_id uuid not null constraint webhook_secret_webhook_id_fkey references webhook on delete cascade,
	created_at timestamptz not null,
	ends_at    timestamptz, -- null: the one that stays
	value      bytea not null,
	primary key (webhook_id, created_at)
);

-- One change on its way to one webhook, written in the transaction that seals the change.
create table webhook_delivery (
	id              uuid primary key, -- the same at every attempt
	webhook_id      uuid not null constraint webhook_delivery_webhook_id_fkey references webhook on delete cascade,
	seq             bigint not null references journal_seal,
	created_at      timestamptz not null,
	round           integer not null check (round > 0), -- counts how often sending began afresh
	state           text not null check (state in ('pending', 'delivered', 'failed')),
	attempts        integer not null check (attempts >= 0), -- of this round
	attempted_at    timestamptz,
	next_attempt_at timestamptz, -- null unless pending
	status          integer, -- of the last answer; null: there was none
	error           text not null, -- of the last attempt; empty: it worked
	constraint webhook_delivery_seq_key unique (webhook_id, seq)
);
create index webhook_delivery_webhook_id_idx on webhook_delivery (webhook_id, id);
create index webhook_delivery_created_at_idx on webhook_delivery (created_at) where state <> 'pending';

-- A transaction sees the webhooks that tell nothing but of clients that it may see.
do $$
declare t text;
begin
	foreach t in array array['webhook', 'webhook_secret', 'webhook_delivery'] loop
		execute format('alter table %I enable row level security', t);
		execute format('alter table %I force row level security', t);
	end loop;
end
$$;
create policy own_clients on webhook using ((select current_setting('app.client_ids', true)) = '*'
	or client_ids <@ (select string_to_array(nullif(nullif(current_setting('app.client_ids', true), '*'), ''), ','))::uuid[]);
create policy own_clients on webhook_secret using (exists (select from webhook w where w.id = webhook_id));
create policy own_clients on webhook_delivery using (exists (select from webhook w where w.id = webhook_id));

grant select, insert, update, delete on webhook, webhook_secret, webhook_delivery to leveltrail_app;
