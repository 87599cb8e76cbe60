-- Controls that report by exception over DNP3 (IEEE 1815), beside those that are asked over Modbus.

-- By whose clock a reading's time is: null the poller's, 1 the device's, 2 the poller's on arrival (regulator::TimeSource).
alter table reading add column time_source smallint;
-- One byte a quantity, in the order of regulator::Quantity, trailing zeros cut: how old a value was that this reading carries from
-- an earlier one (regulator::Age). Null when everything was measured together.
alter table reading add column age bytea;

-- A unit behind an endpoint is a Modbus unit identifier, or the link address of a DNP3 outstation.
alter table regulator drop constraint regulator_unit_check;
alter table regulator add constraint regulator_unit_check check (unit between 0 and 65519);

-- How a DNP3 control is spoken to. All regulators of a control say the same.
alter table regulator
    -- link address of this master
    add column master_address integer not null default 1 check (master_address between 0 and 65519),
    add column integrity_interval_ms integer not null default 3600000 check (integrity_interval_ms >= 1000),
    -- classes and periods, such as '1@10s 2,3@60s'; empty: all events every poll_interval_ms
    add column event_polls text not null default ''
        check (event_polls ~ '^([123](,[123])*@[0-9]+m?s( [123](,[123])*@[0-9]+m?s)*)?$'),
    -- classes that the control may report by itself, such as '1,2,3'; empty: none
    add column unsolicited text not null default '' check (unsolicited ~ '^([123](,[123])*)?$'),
    add column time_sync text not null default 'never' check (time_sync in ('never', 'lan', 'non_lan'));

-- What a device says of itself (device attributes, group 0).
create table device (
    endpoint_id      integer not null references endpoint,
    unit             integer not null,
    manufacturer     text,
    model            text,
    software_version text,
    hardware_version text,
    serial_number    text,
    told_at          timestamptz not null,
    primary key (endpoint_id, unit)
);

alter table endpoint_health
    -- since the poller started: how often devices behind it restarted, and lost events
    add column restarts bigint not null default 0,
    add column overflows bigint not null default 0,
    -- the largest by magnitude of the devices behind it, ahead of ours; null when unknown
    add column clock_offset_ms bigint;
