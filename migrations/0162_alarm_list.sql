-- A list of alarms answers at once however many there are, whatever it is narrowed to: newest first of all, of a kind, of one alarm.
-- alarm_newest, of raised_at and id, does all that this did.
drop index alarm_raised_at_idx;
create index alarm_newest_of_kind on alarm (condition, priority, raised_at desc, id desc) include (returned_at);
drop index alarm_point_id_idx;
create index alarm_newest_of_point on alarm (point_id, raised_at desc, id desc);

-- When people were told of alarms: for floods and for the measures of a period.
create index alarm_transition_announced on alarm_transition (recorded_at) include (point_id)
    where kind in ('raised', 'raised_again', 'unshelved', 'silence_ended', 'maintenance_ended', 'put_back')
      and coalesce(process, 'unacknowledged') = 'unacknowledged' and coalesce(holds, '{}') = '{}';
-- the same by when it happened, for the measures of a period
create index alarm_transition_told on alarm_transition (at) include (point_id, recorded_at)
    where kind in ('raised', 'raised_again', 'unshelved', 'silence_ended', 'maintenance_ended', 'put_back')
      and coalesce(process, 'unacknowledged') = 'unacknowledged' and coalesce(holds, '{}') = '{}';
-- Alarms that went away before anyone could have acted, and those that stood for more than a day.
create index alarm_fleeting on alarm (raised_at) include (point_id, returned_at)
    where returned_at - raised_at < interval '5 minutes' and announced_at is not null;
create index alarm_long on alarm (returned_at) include (point_id, raised_at)
    where returned_at - raised_at > interval '24 hours' and announced_at is not null;
create index alarm_transition_shelving on alarm_transition (point_id, id) where kind in ('shelved', 'unshelved');
-- What people did, since an instant.
create index alarm_transition_by_people on alarm_transition (recorded_at) where person is not null;

create index on maintenance_window (scope_kind, scope_id);

-- What the handing person saw: the sheet as it was, so that it can be read again as it was handed over.
alter table handover add column from_at timestamptz, add column sheet jsonb;
