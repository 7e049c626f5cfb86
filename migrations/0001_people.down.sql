drop table job, audit_entry, idempotent_answer, signing_key, refresh_token, session, link_token, qualification, member, cooperative;
drop procedure keep_history, keep_versions, protect_rows;
drop function refuse_rewriting, count_version, in_system_scope, current_cooperative;
