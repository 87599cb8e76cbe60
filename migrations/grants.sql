-- The two roles that the program runs under, each with what it needs and no more. Run by the schema's owner through
-- `tapkeeper database grant`; give each role a password and the right to log in by hand or by your secret store.
do $$
begin
    if not exists (select from pg_roles where rolname = 'tapkeeper_poller') then
        create role tapkeeper_poller nologin;
    end if;
    if not exists (select from pg_roles where rolname = 'tapkeeper_server') then
        create role tapkeeper_server nologin;
    end if;
end $$;

grant usage on schema public to tapkeeper_poller, tapkeeper_server;
revoke execute on all functions in schema public from public;
grant execute on function quality_of(bytea, integer), operations_between(bigint, bigint, bigint, interval)
    to tapkeeper_poller, tapkeeper_server;
grant execute on function local_day(timestamptz, text) to tapkeeper_server;

-- The poller reads the inventory, writes readings, rollups and its own health.
grant select on substation, feeder, site, bank, profile, endpoint, regulator, inventory_version to tapkeeper_poller;
grant select, insert, update on reading, reading_batch, rollup_minute, rollup_hour, rollup_day, feed_cursor, poller_health,
    endpoint_health, device to tapkeeper_poller;
grant delete on reading_batch to tapkeeper_poller;

-- The server reads everything, and writes alarms, people and messages; it cannot touch a reading.
grant select on all tables in schema public to tapkeeper_server;
grant insert, update, delete on threshold, threshold_change, detection_state, alarm, alarm_transition, person, session,
    sign_in_link, recipient, notification, notification_attempt, feed_cursor, operation, service_day, service_life, cause_day,
    alarm_point, alarm_rule, maintenance_window, note, handover, rota, rota_change, part_life, watchdog_state, server_secret,
    escalation, call_step to tapkeeper_server;
