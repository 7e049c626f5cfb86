-- A recall holds its suspect produce back from its start until it is released, also after it is closed: closing says
-- that everybody was told, not that what is left does no harm. Recalls that were started before this step hold back,
-- too, until somebody releases them.
alter table recall
  add column released_at timestamptz,
  add column released_by uuid,
  add constraint recall_released check (released_at is null or started_at is not null),
  add constraint recall_released_by_somebody check ((released_at is null) = (released_by is null)),
  add constraint recall_released_by foreign key (cooperative_id, released_by) references member (cooperative_id, id);

alter table recall_entry
  drop constraint recall_entry_kind_check,
  add constraint recall_entry_kind_check check (kind in ('drafted', 'traced', 'started', 'assigned', 'told', 'closed', 'released'));
