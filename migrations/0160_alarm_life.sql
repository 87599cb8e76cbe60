-- The life of alarms after ANSI/ISA-18.2 and IEC 62682: what is shelved, suppressed by design or out of service belongs to a condition of a
-- place, not to one occurrence of it. So there is a row for each, with its present state, and every step of it is kept.

-- Alarms can be about a substation, or about a part of the program itself.
alter table alarm
    add column substation_id integer references substation,
    add column part text check (part in ('detection', 'delivery')),
    drop constraint alarm_check,
    add constraint alarm_place check (num_nonnulls(regulator_id, endpoint_id, poller, substation_id, part) = 1),
    drop constraint alarm_condition_regulator_id_endpoint_id_poller_raised_at_key;
-- One name for what it is about, whatever that is.
alter table alarm add column place_key text not null generated always as (coalesce(
    'regulator:' || regulator_id::text, 'endpoint:' || endpoint_id::text, 'poller:' || poller,
    'substation:' || substation_id::text, 'part:' || part)) stored;
alter table alarm add constraint alarm_once unique (condition, place_key, raised_at);
drop index alarm_open;
-- one open alarm a condition and place: a doubled one cannot be stored
create unique index alarm_open on alarm (condition, place_key) where returned_at is null;

create table alarm_point (
    id            bigint generated always as identity primary key,
    condition     text not null,
    regulator_id  integer references regulator,
    endpoint_id   integer references endpoint,
    poller        text,
    substation_id integer references substation,
    part          text check (part in ('detection', 'delivery')),
    place_key     text not null generated always as (coalesce(
        'regulator:' || regulator_id::text, 'endpoint:' || endpoint_id::text, 'poller:' || poller,
        'substation:' || substation_id::text, 'part:' || part)) stored,
    -- regulator::alarms::Process
    process       text not null default 'normal'
        check (process in ('normal', 'unannounced', 'unacknowledged', 'acknowledged', 'returned')),
    -- its latest occurrence
    alarm_id      bigint references alarm,
    -- the holds: each is on where its columns are not null
    shelved_until timestamptz,
    shelved_by    text,
    shelved_why   text,
    silent_why    text,
    maintenance_why text,
    out_of_service_at  timestamptz,
    out_of_service_by  text,
    out_of_service_why text,
    held          boolean not null generated always as (
        num_nonnulls(shelved_until, silent_why, maintenance_why, out_of_service_at) > 0) stored,
    changed_at    timestamptz not null default clock_timestamp(),
    check (num_nonnulls(regulator_id, endpoint_id, poller, substation_id, part) = 1),
    check (num_nulls(shelved_until, shelved_by, shelved_why) in (0, 3)),
    check (num_nulls(out_of_service_at, out_of_service_by, out_of_service_why) in (0, 3)),
    check (process <> 'unannounced' or num_nonnulls(shelved_until, silent_why, maintenance_why, out_of_service_at) > 0),
    unique (condition, place_key)
) with (fillfactor = 80);
comment on table alarm_point is 'The present state of each alarm. alarm_transition, replayed by regulator::alarms, gives the same.';
create index on alarm_point (shelved_until) where shelved_until is not null;
create index on alarm_point (alarm_id);
create index on alarm_point (id) where held;

alter table alarm
    add column point_id bigint references alarm_point,
    -- when people were first told, on the desk or elsewhere; null while it has only been true behind a hold
    add column announced_at timestamptz default clock_timestamp(),
    -- what held it back when it was raised
    add column held_why text;
create index on alarm (point_id);
create index alarm_unacknowledged on alarm (raised_at desc, id desc) where acknowledged_at is null and announced_at is not null;

alter table alarm_transition
    add column point_id bigint references alarm_point,
    -- the state after it; null on rows from before these columns
    add column process text,
    add column holds text[],
    -- of shelving: until when
    add column until timestamptz,
    alter column alarm_id drop not null,
    drop constraint alarm_transition_alarm_id_kind_key,
    drop constraint alarm_transition_kind_check,
    add constraint alarm_transition_kind check (kind in ('raised', 'returned', 'acknowledged', 'raised_again', 'shelved', 'unshelved',
        'silence_begun', 'silence_ended', 'maintenance_begun', 'maintenance_ended', 'taken_out', 'put_back')),
    add constraint alarm_transition_of_something check (num_nonnulls(alarm_id, point_id) > 0);
create unique index alarm_transition_once on alarm_transition (alarm_id, kind) where kind in ('raised', 'returned');
create index on alarm_transition (alarm_id);
create index on alarm_transition (point_id, id);
create index on alarm_transition (at);

insert into alarm_point (condition, regulator_id, endpoint_id, poller, process, alarm_id)
    select distinct on (condition, place_key) condition, regulator_id, endpoint_id, poller,
        case when returned_at is null then case when acknowledged_at is null then 'unacknowledged' else 'acknowledged' end
             else case when acknowledged_at is null then 'returned' else 'normal' end end,
        id
    from alarm order by condition, place_key, raised_at desc, id desc;
update alarm a set point_id = p.id, announced_at = a.recorded_at
    from alarm_point p where p.condition = a.condition and p.place_key = a.place_key;
update alarm_transition t set point_id = a.point_id from alarm a where a.id = t.alarm_id;

-- Detection remembers something of substations too.
alter table detection_state drop constraint detection_state_scope_kind_check;
alter table detection_state add constraint detection_state_scope_kind_check
    check (scope_kind in ('regulator', 'bank', 'endpoint', 'poller', 'substation'));

-- Planned work: alarms raised inside are kept, marked and not announced until it ends.
create table maintenance_window (
    id         integer generated by default as identity (start 60001) primary key,
    scope_kind text not null check (scope_kind in ('substation', 'feeder', 'site', 'regulator')),
    scope_id   integer not null,
    from_at    timestamptz not null,
    to_at      timestamptz not null,
    reason     text not null check (reason <> ''),
    person     text not null,
    created_at timestamptz not null default now(),
    -- ended before its time, or called off
    ended_at   timestamptz,
    ended_by   text,
    check (from_at < to_at)
);
create index on maintenance_window (to_at);

-- What holds for alarms of a priority; common practice until someone sets other times.
create table alarm_rule (
    priority      smallint primary key check (priority between 1 and 4),
    -- acknowledged for so long with nothing changed, it is raised again; null: never
    again_after_s integer check (again_after_s >= 60),
    -- longest time on the shelf
    shelf_s       integer not null check (shelf_s >= 60)
);
insert into alarm_rule values (4, 2 * 3600, 3600), (3, 8 * 3600, 8 * 3600), (2, 24 * 3600, 24 * 3600), (1, null, 7 * 24 * 3600);

-- What people write down for those who come after them.
create table note (
    id           bigint generated always as identity primary key,
    alarm_id     bigint references alarm,
    regulator_id integer references regulator,
    site_id      integer references site,
    at           timestamptz not null default now(),
    person       text not null,
    text         text not null check (text <> ''),
    check (num_nonnulls(alarm_id, regulator_id, site_id) = 1)
);
create index on note (at);
create index on note (alarm_id) where alarm_id is not null;
create index on note (regulator_id) where regulator_id is not null;
create index on note (site_id) where site_id is not null;

create table handover (
    id     bigint generated always as identity primary key,
    at     timestamptz not null default now(),
    person text not null,
    text   text not null default ''
);
create index on handover (at);

-- As before, with the new places and what holds an alarm now.
drop view alarm_shown;
create view alarm_shown as
select a.*,
       s.id as site_id,
       f.id as feeder_id,
       coalesce(a.substation_id, u.id) as of_substation_id,
       case when p.alarm_id = a.id and (a.returned_at is null or a.acknowledged_at is null and a.announced_at is not null) then
           case when p.out_of_service_at is not null then 'out_of_service'
                when p.silent_why is not null or p.maintenance_why is not null then 'suppressed_by_design'
                when p.shelved_until is not null then 'shelved' end
       end as hold,
       case when p.alarm_id = a.id then p.shelved_until end as shelved_until,
       coalesce(
           s.time_zone,
           -- the zone of most of the sites that it concerns; retired regulators count where no other is left
           (select z.time_zone
            from (select (select n.time_zone from bank m join site n on n.id = m.site_id where m.id = g.bank_id) as time_zone,
                         g.retired_at is null as in_service
                  from regulator g where g.endpoint_id = a.endpoint_id) z
            group by z.time_zone
            order by count(*) filter (where z.in_service) desc, count(*) desc, z.time_zone collate "C" desc
            limit 1),
           (select n.time_zone from feeder l join site n on n.feeder_id = l.id where l.substation_id = a.substation_id
            group by n.time_zone order by count(*) desc, n.time_zone collate "C" desc limit 1),
           -- the zone of most of the fleet
           (select n.time_zone
            from regulator g join bank m on m.id = g.bank_id join site n on n.id = m.site_id
            where g.retired_at is null
            group by n.time_zone
            order by count(*) desc, n.time_zone collate "C" desc
            limit 1),
           'UTC') as time_zone,
       case when a.bank_id is null then r.phase end as phase,
       case
           when a.regulator_id is not null then
               concat_ws(' › ', u.name, f.name, s.name
                   || case when (select count(*) from bank n where n.site_id = s.id) > 1 then ' ' || b.name else '' end
                   || case when a.bank_id is null then ' ' || r.phase else ' bank' end)
           when a.endpoint_id is not null then 'endpoint ' || e.address
           when a.substation_id is not null then 'substation ' || v.name
           when a.part is not null then 'Tapkeeper’s ' || a.part
           else 'poller ' || a.poller
       end as place,
       -- three names tell where an endpoint is; a gateway may serve many more
       (select array_to_string((array_agg(z.site order by z.site))[:3], ', ')
               || case when count(*) > 3 then ' and ' || count(*) - 3 || ' more' else '' end
        from (select distinct (select n.name from bank m join site n on n.id = m.site_id where m.id = g.bank_id) as site
              from regulator g where g.endpoint_id = a.endpoint_id and g.retired_at is null) z) as endpoint_sites
from alarm a
left join regulator r on r.id = a.regulator_id
left join bank b on b.id = r.bank_id
left join site s on s.id = b.site_id
left join feeder f on f.id = s.feeder_id
left join substation u on u.id = f.substation_id
left join endpoint e on e.id = a.endpoint_id
left join substation v on v.id = a.substation_id
left join alarm_point p on p.id = a.point_id;
