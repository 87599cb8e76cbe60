-- Alarms with the names that people know the place by.
create view alarm_shown as
select a.*,
       s.id as site_id,
       f.id as feeder_id,
       coalesce(s.time_zone, 'UTC') as time_zone,
       r.phase,
       case
           when a.regulator_id is not null then
               concat_ws(' › ', u.name, f.name, s.name
                   || case when (select count(*) from bank n where n.site_id = s.id) > 1 then ' ' || b.name else '' end
                   || ' ' || r.phase)
           when a.endpoint_id is not null then 'endpoint ' || e.address
           else 'poller ' || a.poller
       end as place
from alarm a
left join regulator r on r.id = a.regulator_id
left join bank b on b.id = r.bank_id
left join site s on s.id = b.site_id
left join feeder f on f.id = s.feeder_id
left join substation u on u.id = f.substation_id
left join endpoint e on e.id = a.endpoint_id;

-- the order of the list of past alarms
create index alarm_newest on alarm (raised_at desc, id desc);
