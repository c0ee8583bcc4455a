drop table calendar_feed;
