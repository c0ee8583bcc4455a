drop table attachment_version;
drop table attachment;
drop table note_version;
drop table note;
alter table field_check_version drop column meter_at;
alter table field_check drop column meter_at;
alter table survey_version drop column planned;
alter table survey drop column planned;
