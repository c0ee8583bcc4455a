insert into last_calibration (instrument_id, scope, on_day) values ('00000000-0000-7000-8000-00000000000e', 'calibrator', '2025-12-02');
