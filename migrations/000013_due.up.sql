-- What the due list looks for: the newest calibration of each instrument and scope, and the few that ended otherwise.
create index certificate_newest_idx on certificate (instrument_id, scope, calibrated_on) include (id) where state = 'confirmed';
create index certificate_replaces_id_idx on certificate (replaces_id) where replaces_id is not null;
create index certificate_override_idx on certificate (instrument_id) where due_override_on is not null;
create index certificate_failed_idx on certificate (instrument_id) where as_left = 'fail';
create index event_ends_cover_idx on event (instrument_id) where ends_cover;
