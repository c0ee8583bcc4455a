drop index instrument_use_instrument_id_idx;
create index instrument_use_instrument_id_idx on instrument_use (instrument_id, lower(during), survey_id);
create index instrument_use_during_idx on instrument_use using gist (during);
