-- An alarm of an endpoint or a poller has no site of its own, but people read its times by the clock of the sites that it
-- concerns: those behind the endpoint, and for a poller the whole fleet. The sites behind an endpoint get a column of their own, at
-- the end: in `place` they would be looked up for every row that a search by place passes over.
-- The look-ups are subqueries in the list of columns, not joins, so that they are made for the rows that are shown only, and
-- that of the fleet at most once a query. Those behind an endpoint go regulator by regulator along the keys.
create or replace view alarm_shown as
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
       r.phase,
       case
           when a.regulator_id is not null then
               concat_ws(' › ', u.name, f.name, s.name
                   || case when (select count(*) from bank n where n.site_id = s.id) > 1 then ' ' || b.name else '' end
                   || ' ' || r.phase)
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
