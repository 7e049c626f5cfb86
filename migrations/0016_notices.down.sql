drop table calendar_feed;
drop table notice;
drop table notice_choice;
