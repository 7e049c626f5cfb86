drop view cut_balance;
drop table delivery_correction, delivery_line, delivery, cut_correction, cut;
drop function guard_cut_balance;
