-- Operations by cause, summed up as they are written: no page counts millions of rows.

-- One row a regulator, day of its site and cause.
create table cause_day (
    regulator_id    integer not null references regulator,
    day             date not null,
    cause           smallint not null,          -- regulator::causes::Cause
    operations      bigint not null,
    weight          double precision not null,  -- sum over the operations of their confidence
    undone          bigint not null,            -- of them undone within five minutes
    primary key (regulator_id, day, cause)
) with (fillfactor = 80);

-- The day there; by UTC where the zone is one that this PostgreSQL does not know: the analysis must not stop for a name.
create function local_day(at timestamptz, zone text) returns date language plpgsql stable as $$
begin
    return (at at time zone zone)::date;
exception when invalid_parameter_value then
    return (at at time zone 'UTC')::date;
end $$;

create function count_causes() returns trigger language plpgsql as $$
begin
    insert into cause_day (regulator_id, day, cause, operations, weight, undone)
        select w.regulator_id, local_day(w.at, s.time_zone), w.cause, sum(w.operations),
            sum(w.operations * w.confidence::double precision), coalesce(sum(w.operations) filter (where w.undone), 0)
        from written w
        join regulator r on r.id = w.regulator_id
        join bank b on b.id = r.bank_id
        join site s on s.id = b.site_id
        group by 1, 2, 3
        order by 1, 2, 3
    on conflict (regulator_id, day, cause) do update set
        operations = cause_day.operations + excluded.operations,
        weight = cause_day.weight + excluded.weight,
        undone = cause_day.undone + excluded.undone;
    return null;
end $$;

-- Rows of `operation` never change once written, so what is inserted is all there is to count.
create trigger count_causes after insert on operation
    referencing new table as written for each statement execute function count_causes();

insert into cause_day (regulator_id, day, cause, operations, weight, undone)
    select o.regulator_id, local_day(o.at, s.time_zone), o.cause, sum(o.operations),
        sum(o.operations * o.confidence::double precision), coalesce(sum(o.operations) filter (where o.undone), 0)
    from operation o
    join regulator r on r.id = o.regulator_id
    join bank b on b.id = r.bank_id
    join site s on s.id = b.site_id
    group by 1, 2, 3;
