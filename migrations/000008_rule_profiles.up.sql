-- Editions of rule profiles that the house added to those that come with the service. They never change.
create table rule_profile (
	id          uuid primary key,
	version     integer not null check (version = 1),
	created_at  timestamptz not null,
	recorded_at timestamptz not null,
	code        text not null,
	edition     text not null,
	asks        jsonb not null, -- {Intervals, AcceptedMeters, …}, each member with its Source
	constraint rule_profile_edition_key unique (code, edition)
);
create table rule_profile_version (like rule_profile, primary key (id, version));
grant select, insert on rule_profile, rule_profile_version to leveltrail_app;
