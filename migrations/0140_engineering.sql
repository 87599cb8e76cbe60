-- What the engineering needs: quantities, the order of a feeder, operations with their causes, and each unit's service life.

alter table reading
    add column voltage_distortion real,         -- total harmonic distortion of the load voltage, %
    add column current_distortion real,         -- total harmonic distortion of the current, %
    add column tap_in_progress boolean;         -- the motor runs

-- The next site with regulators towards the substation; null: fed from the substation itself.
alter table site add column fed_from_site_id integer references site check (fed_from_site_id <> id);

-- One row a tap change, or several that lie between two readings. Written by the analysis that follows the feed, once the minutes
-- after it are known. Rows of one regulator never change once written.
create table operation (
    regulator_id    integer not null references regulator,
    at              timestamptz not null,       -- the reading in which it was first seen
    since           timestamptz not null,       -- the reading before
    operations      integer not null check (operations >= 0),
    tap_from        smallint,
    tap_to          smallint,
    load_before     real,                       -- V, secondary base
    load_after      real,
    source_before   real,
    source_after    real,
    current         real,                       -- A, primary
    power_before    real,                       -- kW
    power_after     real,
    cause           smallint not null,          -- regulator::causes::Cause
    confidence      real not null check (confidence between 0 and 1),
    undone          boolean not null,           -- undone within five minutes
    evidence        text not null,              -- one line with the numbers
    primary key (regulator_id, at)
) partition by range (at);
create table operation_before partition of operation for values from (minvalue) to ('2020-01-01Z');
do $$
begin
    for y in 2020..2059 loop
        execute format('create table operation_%s partition of operation for values from (%L) to (%L)',
            y, y || '-01-01Z', y + 1 || '-01-01Z');
    end loop;
end $$;
create table operation_after partition of operation for values from ('2060-01-01Z') to (maxvalue);
create index on operation (at);

-- One row a regulator and day of its site.
create table service_day (
    regulator_id    integer not null references regulator,
    day             date not null,
    operations      bigint not null,
    tap_lowest      smallint not null,          -- seconds at each tap, from this one up
    tap_seconds     integer[] not null,
    unknown_seconds integer not null,           -- between readings too far apart to say where the tap was
    wear            text not null,              -- regulator::wear::ContactWear as JSON: what that day used up
    primary key (regulator_id, day)
);

-- One row a regulator: how far its readings have been analysed, and what is carried on.
create table service_life (
    regulator_id    integer primary key references regulator,
    seen_until      timestamptz not null,       -- readings up to here have been taken
    settled_until   timestamptz not null,       -- operations up to here are in `operation`
    first_seen_at   timestamptz not null,
    first_counter   bigint,                     -- the operation counter then
    moved_at        timestamptz,                -- the last operation
    neutral_at      timestamptz,                -- last seen on neutral, or to have passed it
    wear            text not null,              -- regulator::wear::ContactWear as JSON, since first seen
    state           text not null               -- what the analysis remembers, as JSON
) with (fillfactor = 50);

-- Conditions of a whole bank.
alter table detection_state drop constraint detection_state_scope_kind_check;
alter table detection_state add constraint detection_state_scope_kind_check
    check (scope_kind in ('regulator', 'bank', 'endpoint', 'poller'));
-- Set where the alarm is of the whole bank; regulator_id is then the bank's first, under which pages list it.
alter table alarm add column bank_id integer references bank check (bank_id is null or regulator_id is not null);
-- As before, but an alarm of a bank has no phase.
drop view alarm_shown;
create view alarm_shown as
select a.*,
       s.id as site_id,
       f.id as feeder_id,
       coalesce(
           s.time_zone,
           -- the zone of most of the regulators behind the endpoint; retired ones count where no other is left
           (select z.time_zone
            from (select (select n.time_zone from bank m join site n on n.id = m.site_id where m.id = g.bank_id) as time_zone,
                         g.retired_at is null as in_service
                  from regulator g where g.endpoint_id = a.endpoint_id) z
            group by z.time_zone
            order by count(*) filter (where z.in_service) desc, count(*) desc, z.time_zone collate "C" desc
            limit 1),
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
left join endpoint e on e.id = a.endpoint_id;
