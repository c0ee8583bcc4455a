drop table nonconformity, nonconformity_version;
