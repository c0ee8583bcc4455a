drop table sign_off_check, sign_off_review_version, sign_off_review, sign_off_copy, sign_off_version, sign_off;
