-- Uses of an instrument within a span are found in one index, which tells how long each lasted.
drop index instrument_use_during_idx, instrument_use_instrument_id_idx;
create index instrument_use_instrument_id_idx on instrument_use (instrument_id, lower(during), upper(during), survey_id);
