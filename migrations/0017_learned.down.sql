alter table cut drop column harmed_by;
drop trigger wake_work on cut_correction;
drop trigger wake_work on learning_veto;
drop trigger wake_work on learning_choice;
drop table learned_growth;
