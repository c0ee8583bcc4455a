drop table series_trait;
