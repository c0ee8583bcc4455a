truncate sample_day;
alter table sample_day reset (toast_tuple_target);
alter table sample_day drop column hours;
