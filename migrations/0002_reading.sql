-- Readings, the feed by which others follow them, and their rollups.

-- One row is the state of one regulator at one instant. Values are stored as reported, usable or not; `quality` has one
-- byte a quantity, in the order of regulator::Quantity (trailing zeros cut): 0 not reported, 1 good, others in
-- regulator::Quality. A value that is missing is null, never zero.
create table reading (
    regulator_id    integer not null,
    measured_at     timestamptz not null,
    load_voltage    real,      -- V, secondary base
    source_voltage  real,      -- V, secondary base
    current         real,      -- A, primary
    real_power      real,      -- kW, positive from source to load
    reactive_power  real,      -- kvar
    power_factor    real,
    tap             integer,   -- 0 neutral, raise positive
    operations      bigint,    -- the counter as reported
    automatic       boolean,
    blocked         boolean,
    at_neutral      boolean,
    reverse_flow    boolean,   -- as the control says
    set_voltage     real,      -- V
    bandwidth       real,      -- V, whole band
    time_delay      real,      -- s
    ldc_resistance  real,      -- V at rated CT primary
    ldc_reactance   real,      -- V at rated CT primary
    quality         bytea not null,
    primary key (regulator_id, measured_at)
) partition by range (measured_at);

-- Quality of one quantity of a reading; 0 where the stored bytes end before it.
create function quality_of(quality bytea, quantity integer) returns integer
    language sql immutable parallel safe
    return case when quantity < length(quality) then get_byte(quality, quantity) else 0 end;

-- The feed. Every writing transaction adds one batch as its last act, holding an advisory lock from just before the id is
-- drawn until it has committed: so ids become visible in order, and a follower that remembers the last id it saw
-- misses nothing. A batch names the readings that it added or changed; it may name none (a sign of life).
create table reading_batch (
    id                 bigint generated always as identity primary key,
    poller             text not null,
    -- when this poller process began: time while no poller ran is nobody's silence
    session_started_at timestamptz not null,
    written_at         timestamptz not null default clock_timestamp(),
    -- everything that this poller measured before this instant is stored
    watermark          timestamptz not null,
    regulator_ids      integer[] not null default '{}',
    measured_at        timestamptz[] not null default '{}',
    -- what is failing now: [{"endpoint": id, "unit": number or null, "since": time, "error": text}]
    failing            jsonb not null default '[]'
);
-- Keys do not compress well enough to be worth the time.
alter table reading_batch alter column regulator_ids set storage external, alter column measured_at set storage external;
-- transaction-level advisory lock taken before a batch is inserted: pg_advisory_xact_lock(7205759)

-- Daily partitions of reading are made ahead and dropped by retention through these, so that a poller needs no right
-- to create or drop tables.
create function make_reading_partitions(first date, last date) returns integer
    language plpgsql security definer set search_path = public, pg_temp as $$
declare
    d date;
    made integer := 0;
    part text;
begin
    if last - first > 800 then
        raise exception 'make_reading_partitions: % to % is more than 800 days', first, last;
    end if;
    -- two pollers may ask for the same day at once
    perform pg_advisory_xact_lock(7205760);
    for d in select generate_series(first, last, interval '1 day')::date loop
        part := format('reading_%s', to_char(d, 'YYYYMMDD'));
        if to_regclass(part) is null then
            -- Attached rather than made in place: readers of the whole table are not locked out.
            execute format('create table %I (like reading including all)', part);
            execute format('alter table reading attach partition %I for values from (%L) to (%L)',
                part, d::timestamp at time zone 'UTC', (d + 1)::timestamp at time zone 'UTC');
            made := made + 1;
        end if;
    end loop;
    return made;
end $$;

create function drop_reading_partitions(before date) returns integer
    language plpgsql security definer set search_path = public, pg_temp set lock_timeout = '5s' as $$
declare
    part text;
    dropped integer := 0;
begin
    for part in
        select c.relname from pg_inherits i join pg_class c on c.oid = i.inhrelid
        where i.inhparent = 'reading'::regclass and c.relname ~ '^reading_\d{8}$'
          and to_date(right(c.relname, 8), 'YYYYMMDD') < before
    loop
        execute format('drop table %I', part);
        dropped := dropped + 1;
    end loop;
    return dropped;
end $$;

-- Operations between two successive counter values of one regulator. Mirrors regulator::counter::step, whose
-- documentation gives the reasons; a test holds the two together.
create function operations_between(earlier bigint, later bigint, modulus bigint, elapsed interval) returns bigint
    language sql immutable parallel safe
    return case
        when earlier is null or later is null then 0
        when later >= earlier then
            case when later - earlier <= 10 + floor(date_part('epoch', elapsed)) then later - earlier else 0 end
        when later - earlier + modulus <= 10 + floor(date_part('epoch', elapsed))
            then greatest(later - earlier + modulus, 0)
        when later <= 10 + floor(date_part('epoch', elapsed)) then later
        else 0
    end;

-- Rollups. Only good values enter. A bucket holds nothing that depends on its neighbours, so a late reading changes its own
-- buckets only; operations of a longer span are the sum of `operations` plus operations_between the last counter of one bucket
-- and the first of the next. Minute and hour buckets start on the site's local clock, as do days.
create table rollup_minute (
    regulator_id       integer not null,
    bucket             timestamptz not null,
    readings           integer not null,
    load_voltage_n     integer not null, load_voltage_min   real, load_voltage_max   real, load_voltage_sum   double precision,
    source_voltage_n   integer not null, source_voltage_min real, source_voltage_max real, source_voltage_sum double precision,
    current_n          integer not null, current_min        real, current_max        real, current_sum        double precision,
    real_power_n       integer not null, real_power_min     real, real_power_max     real, real_power_sum     double precision,
    reactive_power_n   integer not null, reactive_power_min real, reactive_power_max real, reactive_power_sum double precision,
    tap_min            integer, tap_max integer, tap_first integer, tap_last integer,
    counter_first      bigint, counter_first_at timestamptz,
    counter_last       bigint, counter_last_at  timestamptz,
    operations         bigint not null,
    primary key (regulator_id, bucket)
) partition by range (bucket);
-- Monthly partitions are made ahead; the default stays empty unless somebody writes without asking for them.
create table rollup_minute_default partition of rollup_minute default;

create table rollup_hour (like rollup_minute including all);
create table rollup_day (like rollup_minute including all);
-- The newest row of each regulator is rewritten with every reading; room in its page keeps the index out of it.
alter table rollup_hour set (fillfactor = 70);
alter table rollup_day set (fillfactor = 70);

-- Makes the monthly partitions that hold the days first to last.
create function make_rollup_partitions(first date, last date) returns integer
    language plpgsql security definer set search_path = public, pg_temp as $$
declare
    m timestamp;
    part text;
    since timestamptz;
    until timestamptz;
    made integer := 0;
begin
    if last - first > 24000 then
        raise exception 'make_rollup_partitions: % to % is more than 65 years', first, last;
    end if;
    perform pg_advisory_xact_lock(7205760);
    for m in select generate_series(date_trunc('month', first::timestamp), last, interval '1 month') loop
        part := format('rollup_minute_%s', to_char(m, 'YYYYMM'));
        if to_regclass(part) is null then
            since := m at time zone 'UTC';
            until := (m + interval '1 month') at time zone 'UTC';
            execute format('create table %I (like rollup_minute including all) with (fillfactor = 70)', part);
            execute format('with moved as (delete from rollup_minute_default where bucket >= %L and bucket < %L returning *)
                insert into %I select * from moved', since, until, part);
            execute format('alter table rollup_minute attach partition %I for values from (%L) to (%L)', part, since, until);
            made := made + 1;
        end if;
    end loop;
    return made;
end $$;

-- Drops the monthly partitions that end before a day.
create function drop_rollup_partitions(before date) returns integer
    language plpgsql security definer set search_path = public, pg_temp set lock_timeout = '5s' as $$
declare
    part text;
    dropped integer := 0;
begin
    for part in
        select c.relname from pg_inherits i join pg_class c on c.oid = i.inhrelid
        where i.inhparent = 'rollup_minute'::regclass and c.relname ~ '^rollup_minute_\d{6}$'
          and to_date(right(c.relname, 6), 'YYYYMM') + interval '1 month' <= before
    loop
        execute format('drop table %I', part);
        dropped := dropped + 1;
    end loop;
    return dropped;
end $$;

-- How far each follower of the feed has come.
create table feed_cursor (
    follower text primary key,
    batch_id bigint not null,
    moved_at timestamptz not null default now()
);

-- Health of polling, kept by the poller.
create table poller_health (
    poller           text primary key,
    started_at       timestamptz not null,
    heartbeat_at     timestamptz not null,
    endpoints        integer not null,
    regulators       integer not null,
    polls            bigint not null,        -- since started_at
    readings_written bigint not null,
    readings_held    bigint not null,        -- in memory, waiting for the database
    readings_given_up bigint not null,       -- dropped because the bound on held readings was reached
    lateness_p99_ms  real,
    detail           jsonb not null default '{}'
);

create table endpoint_health (
    endpoint_id     integer primary key references endpoint,
    poller          text not null,
    updated_at      timestamptz not null,
    last_success_at timestamptz,
    last_failure_at timestamptz,
    failing_since   timestamptz,
    last_error_kind text,                    -- connect, timeout, exception, malformed, closed
    last_error      text,
    latency_ms      real,                    -- of the last answered request
    lateness_ms     real,                    -- largest start delay since the last update
    polls           bigint not null,         -- since the poller started
    failures        jsonb not null default '{}'   -- count by error kind
);
