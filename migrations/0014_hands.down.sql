drop table work_report;
drop function keep_work_report();
drop trigger guard_claims_held on claim;
drop function guard_claims_held();
drop function claims_held(uuid, uuid, timestamptz);
drop function most_claims(uuid);
drop function claim_comes_free_at(timestamptz, timestamptz, timestamptz);
drop index claim_offered;
alter table claim
  drop constraint claim_offered_to_another,
  drop constraint claim_offered,
  drop constraint claim_offered_to,
  drop column offered_at,
  drop column offered_to;
drop table work_settings;
drop table availability;
