-- A delivery that was packed by mistake is withdrawn before it is handed over. Its rows stay: each line is corrected to
-- nothing by an entry, so that whatever adds up lines finds its grams back in their cuts.

alter table delivery
  drop constraint delivery_state_check,
  drop constraint delivery_hand_over,
  add column withdrawn_at timestamptz,
  add column withdrawn_by uuid,
  add column withdrawal_reason text,
  add constraint delivery_state_check check (state in ('packed', 'handed_over', 'confirmed', 'withdrawn')),
  add constraint delivery_hand_over check (
    state = 'packed'
    or num_nulls(handed_over_on, handed_over_at, hand_over_recorded_at, received_by) = case when state = 'withdrawn' then 4 else 0 end),
  add constraint delivery_withdrawal check (
    num_nulls(withdrawn_at, withdrawn_by, withdrawal_reason) = case when state = 'withdrawn' then 0 else 3 end),
  add constraint delivery_withdrawal_reason check (length(withdrawal_reason) between 1 and 300),
  add constraint delivery_withdrawn_by foreign key (cooperative_id, withdrawn_by) references member (cooperative_id, id);

-- Only what is packed is withdrawn, with nothing in it, and for good.
create function guard_withdrawn_delivery() returns trigger
language plpgsql
as $$
begin
  if old.state = 'withdrawn' or (new.state = 'withdrawn' and old.state <> 'packed') then
    raise exception using
      errcode = 'check_violation', constraint = 'delivery_withdrawn',
      message = format('a delivery that is %s becomes or stays no withdrawn one', old.state);
  end if;
  if new.state = 'withdrawn' and exists (
    select from delivery_line l
     where l.cooperative_id = new.cooperative_id and l.delivery_id = new.id
       and l.milligrams + coalesce((select sum(k.change_milligrams) from delivery_correction k
             where k.cooperative_id = l.cooperative_id and k.delivery_line_id = l.id), 0) <> 0) then
    raise exception using
      errcode = 'check_violation', constraint = 'delivery_withdrawn_weight',
      message = 'a withdrawn delivery has nothing in it';
  end if;
  return new;
end $$;
create trigger guard_withdrawn_delivery before update on delivery for each row
  when (old.state = 'withdrawn' or new.state = 'withdrawn') execute function guard_withdrawn_delivery();

-- Nothing is added to a withdrawn delivery: writers wait for whoever holds it, then look.
create function refuse_withdrawn_delivery() returns trigger
language plpgsql
as $$
declare
  watched uuid;
begin
  if tg_table_name = 'delivery_correction' then
    select delivery_id into watched from delivery_line where id = new.delivery_line_id;
  else
    watched := new.delivery_id;
  end if;
  perform 1 from delivery where id = watched for share;
  if exists (select from delivery where id = watched and state = 'withdrawn') then
    raise exception using
      errcode = 'check_violation', constraint = 'delivery_withdrawn',
      message = 'nothing is added to a withdrawn delivery';
  end if;
  return new;
end $$;
create trigger refuse_withdrawn_delivery before insert on delivery_line for each row execute function refuse_withdrawn_delivery();
create trigger refuse_withdrawn_delivery before insert on delivery_correction for each row execute function refuse_withdrawn_delivery();
create trigger refuse_withdrawn_delivery before insert on delivery_dispute for each row execute function refuse_withdrawn_delivery();

-- The work that a delivery finished is found among the packing that was done: row security keeps what stands in the
-- outcome out of the conditions of an index.
create index task_packed on task (cooperative_id, id) where kind = 'pack' and state = 'done';
