-- Twelve substations, a thousand regulators, each with four alarms that came and went 249 times within a year; a few open.
insert into profile (name, source) values ('plain', '');
insert into substation (name) select 'Substation ' || n from generate_series(1, 12) n;
insert into feeder (substation_id, name) select id, name || ' feeder' from substation;
insert into site (feeder_id, name, time_zone)
    select f.id, f.name || ' pole ' || n, 'America/Denver' from feeder f, generate_series(1, 84) n;
insert into bank (site_id, name, connection) select id, 'Bank 1', 'wye' from site;
insert into endpoint (address) select 'modbus-tcp://10.0.0.1:' || 1000 + n from generate_series(1, 1008) n;
insert into regulator (bank_id, phase, kva, rated_current_a, rated_voltage_v, pt_ratio, ct_ratio, endpoint_id, unit, profile)
    select b.id, 'A', 333, 438, 7620, 63.5, 1000, e.id, 1, 'plain'
    from (select id, row_number() over (order by id) nr from bank) b
    join (select id, row_number() over (order by id) nr from endpoint) e using (nr);
insert into alarm_point (condition, regulator_id)
    select c, r.id from regulator r, unnest(array['voltage_range_a', 'reverse_power', 'tap_limit', 'excess_tapping']) c;
insert into alarm (condition, regulator_id, priority, raised_at, returned_at, summary, evidence, point_id, announced_at,
                   acknowledged_at, acknowledged_by)
    select p.condition, p.regulator_id, case p.condition when 'reverse_power' then 3 when 'tap_limit' then 3 else 2 end,
        t.at, t.at + make_interval(secs => 30 + (p.id * 7919 + n) % 100000), 'load voltage 112.9 V, below 114 V for 5 min',
        '[{"label": "Load voltage", "value": 112.9, "unit": "V"}]', p.id, t.at,
        case when n % 3 = 0 then t.at + interval '10 minutes' end, case when n % 3 = 0 then 'Ola' end
    from alarm_point p, generate_series(1, 249) n,
        lateral (select now() - make_interval(secs => n * 126000 + (p.id * 104729) % 120000) as at) t;
insert into alarm_transition (alarm_id, point_id, kind, at, recorded_at, process, holds)
    select id, point_id, 'raised', raised_at, raised_at, 'unacknowledged', '{}' from alarm;
insert into alarm (condition, regulator_id, priority, raised_at, summary, evidence, point_id, announced_at)
    select condition, regulator_id, 3, now(), 'so it is', '[]', id, now() from alarm_point where id % 40 = 0;
update alarm_point p set alarm_id = a.id, process = case when a.returned_at is null then 'unacknowledged' else 'returned' end
    from (select distinct on (point_id) id, point_id, returned_at from alarm order by point_id, raised_at desc, id desc) a
    where a.point_id = p.id;
