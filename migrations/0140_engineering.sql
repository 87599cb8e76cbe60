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
    operations      integer not null default 0,
    neutral_passages integer not null default 0,
    -- seconds on each tap from tap_lowest up
    tap_lowest      smallint not null,
    tap_seconds     integer[] not null,
    -- life used of each contact, in the order of regulator::wear, at the exponents low, middle, high
    wear            text not null default '',
    primary key (regulator_id, day)
);

-- One row a regulator: how far its readings have been analysed, and what is carried on.
create table service_life (
    regulator_id    integer primary key references regulator,
    -- readings up to here have been taken
    seen_until      timestamptz not null,
    -- operations up to here are in `operation`
    settled_until   timestamptz not null,
    first_seen_at   timestamptz not null,
    first_counter   bigint,
    moved_at        timestamptz,                -- last operation
    neutral_at      timestamptz,                -- last time on or through neutral
    wear            text not null default ''    -- sum of the days
) with (fillfactor = 50);
