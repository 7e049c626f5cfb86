-- rows of every co-operative are moved
set local cotyl.system = 'on';
drop index task_packed;
drop trigger refuse_withdrawn_delivery on delivery_dispute;
drop trigger refuse_withdrawn_delivery on delivery_correction;
drop trigger refuse_withdrawn_delivery on delivery_line;
drop function refuse_withdrawn_delivery;
drop trigger guard_withdrawn_delivery on delivery;
drop function guard_withdrawn_delivery;
alter table delivery
  drop constraint delivery_withdrawn_by,
  drop constraint delivery_withdrawal_reason,
  drop constraint delivery_withdrawal,
  drop constraint delivery_hand_over,
  drop constraint delivery_state_check,
  drop column withdrawal_reason,
  drop column withdrawn_by,
  drop column withdrawn_at;
-- they stay what they were before: packed, with nothing in them
update delivery set state = 'packed' where state = 'withdrawn';
-- what that wakes is written before the table changes again
set constraints all immediate;
alter table delivery
  add constraint delivery_state_check check (state in ('packed', 'handed_over', 'confirmed')),
  add constraint delivery_hand_over check (state = 'packed' or num_nulls(handed_over_on, handed_over_at, hand_over_recorded_at, received_by) = 0);
