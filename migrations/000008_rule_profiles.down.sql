drop table rule_profile, rule_profile_version;
