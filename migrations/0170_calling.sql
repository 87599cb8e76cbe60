-- Calling people: who is told in which order until somebody acts, by which ways, and what is kept back for how long and why.

-- The times of escalation by priority, oncall::escalation::Plan as JSON; null: that crate's standard.
alter table alarm_rule add column plan jsonb;

-- Secrets of the program itself, made at first use.
create table server_secret (
    name    text primary key,
    secret  bytea not null check (octet_length(secret) >= 32),
    made_at timestamptz not null default now()
);

-- The areas that an alarm lies in: those of its regulator, of all regulators in service behind its endpoint, of its substation with the feeders.
-- Alarms of a poller or of a part of the program have none but the fleet.
create view alarm_area as
select a.id as alarm_id, x.feeder_id, x.substation_id
from alarm a cross join lateral (
    select s.feeder_id, f.substation_id
    from regulator g
    join bank b on b.id = g.bank_id
    join site s on s.id = b.site_id
    join feeder f on f.id = s.feeder_id
    where g.id = a.regulator_id or (g.endpoint_id = a.endpoint_id and g.retired_at is null)
    union
    select f.id, f.substation_id from feeder f where f.substation_id = a.substation_id
    union
    select null, a.substation_id where a.substation_id is not null) x;

-- One for each time that an alarm was announced.
create table escalation (
    id            bigint generated always as identity (start 300001) primary key,
    alarm_id      bigint not null references alarm,
    -- the step that announced it
    transition_id bigint not null unique references alarm_transition,
    -- that of the narrowest area that covers its place
    rota_id       integer references rota on delete set null,
    created_at    timestamptz not null default clock_timestamp(),
    -- oncall::escalation::Escalation as JSON; null until the clock has begun it
    state         jsonb,
    -- when the next step is due; null when none is
    next_at       timestamptz default '-infinity',
    -- the step of the level that has its time to act now
    current_step  bigint,
    stopped_at    timestamptz,
    stopped_why   text check (stopped_why in ('acknowledged', 'returned', 'held')),
    check (num_nulls(stopped_at, stopped_why) in (0, 2))
);
create unique index escalation_going_on on escalation (alarm_id) where stopped_at is null;
create index on escalation (next_at) where stopped_at is null;
create index on escalation (alarm_id);

create table call_step (
    id            bigint generated always as identity primary key,
    escalation_id bigint not null references escalation,
    alarm_id      bigint not null references alarm,
    round         integer not null check (round >= 1),
    -- of the rota; null for the last resort
    level         smallint check (level >= 1),
    due_at        timestamptz not null,
    -- who was on call
    person_id     integer references person,
    outcome       text not null check (outcome in ('told', 'passed_over', 'nobody')),
    -- why not
    why           text check (why in ('nobody_on_call', 'no_way', 'refused', 'not_wanted')),
    recorded_at   timestamptz not null default clock_timestamp(),
    constraint call_step_once unique nulls not distinct (escalation_id, round, level)
);
create index on call_step (alarm_id);
alter table escalation add foreign key (current_step) references call_step;

-- States: waiting, sending, sent, given_up as before; quiet: kept until the recipient's quiet hours end; held: beyond what a person gets in a while;
-- summed: told in a summary, that of `covered_by`; dropped: not sent, as it was not needed any more.
alter table notification
    -- null only for a summary
    alter column transition_id drop not null,
    add column alarm_id     bigint references alarm,
    add column priority     smallint,
    -- empty for an announcement and a return; ROUND.LEVEL or ROUND.last for a step of an escalation; summary
    add column occasion     text not null default '',
    add column call_step_id bigint references call_step,
    add column covered_by   bigint references notification,
    add column quiet_until  timestamptz,
    -- why it is quiet, held, summed or dropped
    add column reason       text,
    add column given_up_at  timestamptz,
    -- until when the link to acknowledge in it works, and when it was used
    add column answer_until timestamptz,
    add column answered_at  timestamptz,
    -- given up, and tried again by somebody
    add column retried_at   timestamptz,
    add column retried_by   text,
    drop constraint notification_way_check,
    add constraint notification_way check (way in ('email', 'webhook', 'text_email', 'text_http')),
    drop constraint notification_state_check,
    add constraint notification_state check (state in ('waiting', 'sending', 'sent', 'given_up', 'quiet', 'held', 'summed', 'dropped')),
    drop constraint notification_transition_id_recipient_id_way_key,
    add constraint notification_once unique (transition_id, recipient_id, way, occasion),
    add constraint notification_covered check ((state = 'summed') = (covered_by is not null));
update notification n set alarm_id = a.id, priority = a.priority
    from alarm_transition t join alarm a on a.id = t.alarm_id where t.id = n.transition_id;
alter table notification add constraint notification_of_something check (
    (occasion = 'summary') = (transition_id is null) and (transition_id is null) = (alarm_id is null));
create index on notification (alarm_id);
create index on notification (recipient_id, way, sent_at);
create index on notification (recipient_id, way) where state in ('held', 'sending');
create index on notification (call_step_id) where call_step_id is not null;
create index on notification (covered_by) where covered_by is not null;
create index on notification (given_up_at) where given_up_at is not null;
create index on notification (quiet_until) where state = 'quiet';
