-- Messages that were given up: found quickly, and put aside once somebody has seen to them.
alter table notification
    add column dismissed_at timestamptz,
    add column dismissed_by text,
    add column dismissed_why text;
create index notification_given_up on notification (id desc) where state = 'given_up' and dismissed_at is null;
