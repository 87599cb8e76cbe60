-- Each part says now and then that it runs; the watchdog looks, and remembers what it has found.
create table part_life (
    part text primary key check (part in ('detection', 'delivery', 'clock')),
    at   timestamptz not null
);
create table watchdog_state (
    condition text primary key,
    state     text not null
);
