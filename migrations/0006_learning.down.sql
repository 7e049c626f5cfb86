drop table learning_choice;
