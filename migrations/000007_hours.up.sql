-- Beside the quarter hours of a day stand its hours, which most answers need alone. Rows are
-- read where they stand up to the size of a page. Days are derived from the blocks: they are
-- made again when they are asked for.
truncate sample_day;
alter table sample_day add column hours bytea not null; -- persistence/levels/FORMAT.md
alter table sample_day alter column hours set storage external;
alter table sample_day set (toast_tuple_target = 8160);
