-- A sign-off: a frozen copy of a survey under a quality lead's name. It never changes
-- and locks nothing. The copy itself is in sign_off_copy.
create table sign_off (
	client_id      uuid not null,
	id             uuid not null constraint sign_off_id_key unique,
	version        integer not null check (version = 1),
	created_at     timestamptz not null,
	recorded_at    timestamptz not null,
	survey_id      uuid not null,
	survey_version integer not null,
	revision       integer not null check (revision > 0),
	reason         text, -- why there is another; null: the first of its survey
	statement      text not null,
	signed_by      text not null,
	outcome        text not null, -- of the verdict
	sha256         bytea not null, -- of the frozen copy
	page_sha256    bytea not null, -- of its page for people
	primary key (client_id, id),
	constraint sign_off_survey_id_fkey foreign key (client_id, survey_id) references survey (client_id, id),
	constraint sign_off_revision_key unique (client_id, survey_id, revision)
);

-- The bytes that were signed off, and the page for people that says the same.
create table sign_off_copy (
	client_id   uuid not null,
	sign_off_id uuid not null,
	frozen      bytea not null, -- JSON with sorted names
	page        bytea not null, -- HTML
	primary key (client_id, sign_off_id),
	constraint sign_off_copy_sign_off_fkey foreign key (client_id, sign_off_id) references sign_off (client_id, id)
);

-- Reviews of sign-offs, which only grow: opened where something they relied on fell,
-- closed by a person. One is due while the newest entry is an opened one.
create table sign_off_review (
	client_id   uuid not null,
	id          uuid not null constraint sign_off_review_id_key unique,
	version     integer not null check (version = 1),
	created_at  timestamptz not null,
	recorded_at timestamptz not null,
	sign_off_id uuid not null,
	step        text not null check (step in ('opened', 'closed')),
	decision    text not null check ((decision in ('stands', 'sign_off_again')) = (step = 'closed') and (decision = '') = (step = 'opened')),
	reason      text not null,
	author      text not null,
	primary key (client_id, id),
	constraint sign_off_review_sign_off_id_fkey foreign key (client_id, sign_off_id) references sign_off (client_id, id)
);
create index sign_off_review_sign_off_id_idx on sign_off_review (client_id, sign_off_id, id);

-- What was found when a sign-off was last compared with its survey as it was then:
-- derived, and made again when what it rests on has changed.
create table sign_off_check (
	client_id     uuid not null,
	sign_off_id   uuid not null,
	checked_at    timestamptz not null,
	figures_basis text not null, -- digest over the versions of what figures rest on
	verdict_basis text not null, -- likewise of what the verdict rests on
	changes       jsonb, -- null: none
	primary key (client_id, sign_off_id),
	constraint sign_off_check_sign_off_fkey foreign key (client_id, sign_off_id) references sign_off (client_id, id)
);

do $$
declare t text;
begin
	foreach t in array array['sign_off', 'sign_off_review'] loop
		execute format('create table %I (like %I, primary key (client_id, id, version))', t || '_version', t);
	end loop;
	foreach t in array array['sign_off', 'sign_off_version', 'sign_off_copy', 'sign_off_review', 'sign_off_review_version', 'sign_off_check'] loop
		execute format('alter table %I enable row level security', t);
		execute format('alter table %I force row level security', t);
		execute format($p$create policy own_clients on %I using ((select current_setting('app.client_ids', true)) = '*'
			or client_id = any ((select string_to_array(nullif(nullif(current_setting('app.client_ids', true), '*'), ''), ','))::uuid[]))$p$, t);
	end loop;
end
$$;

grant select, insert on sign_off, sign_off_version, sign_off_copy, sign_off_review, sign_off_review_version to leveltrail_app;
grant select, insert, update on sign_off_check to leveltrail_app;
