-- Where thresholds can be set, with the names that people know the places by.
create view threshold_place as
select 'fleet' as kind, null::integer as id, 'Whole fleet' as name
union all
select 'feeder', f.id, u.name || ' › ' || f.name
from feeder f join substation u on u.id = f.substation_id
union all
select 'site', s.id, u.name || ' › ' || f.name || ' › ' || s.name
from site s join feeder f on f.id = s.feeder_id join substation u on u.id = f.substation_id
union all
select 'regulator', r.id, u.name || ' › ' || f.name || ' › ' || s.name || ' ' || b.name || ' ' || r.phase
from regulator r join bank b on b.id = r.bank_id join site s on s.id = b.site_id
join feeder f on f.id = s.feeder_id join substation u on u.id = f.substation_id;

create index threshold_change_newest on threshold_change (id desc, condition, parameter);
