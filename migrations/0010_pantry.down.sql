drop table learning_veto;
alter table cooperative drop column funding_year_month, drop column funding_year_day;
drop table term;
drop trigger guard_open_dispute on delivery_dispute;
drop function guard_open_dispute;
drop function open_dispute;
alter table delivery_correction drop column dispute_id;
drop table delivery_dispute_answer, delivery_dispute_line, delivery_dispute;
drop table cold_reading;
drop trigger refuse_poor_cut on delivery_line;
drop function refuse_poor_cut;
drop trigger guard_cut_waste on cut_correction;
drop function guard_cut_waste;
alter table cut_correction drop column waste_change_milligrams;
alter table cut
  drop column group_id, drop column accepted_because, drop column waste_milligrams,
  drop column tare_milligrams, drop column gross_milligrams;
alter table member_group drop constraint member_group_in_cooperative;
