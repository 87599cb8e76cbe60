//! Everything that a row of the ranking says, for all regulators at once: a handful of queries, none of them per regulator.

use std::{
    collections::{HashMap, HashSet},
    sync::Arc,
};

use chrono::{Days, NaiveDate};
use chrono_tz::Tz;
use regulator::{
    Quantity, Timestamp,
    causes::Shares,
    conditions::Condition,
    dwell::{ExerciseRule, whole},
    wear::{Account, DayShare, ForecastRules, NoAccount, Part, WearBasis, outlook},
};
use sqlx::PgConnection;
use web::{
    board::Place,
    maintenance::{Asked, Assumptions, Life, Row},
};

use super::admits;
use crate::{
    app::App,
    detection::thresholds::Thresholds,
    inventory::Regulator,
    pages::life::{self, Day, Lived},
};

/// Days that operations are counted over.
const COUNTED: u64 = 30;
/// Conditions whose alarms make the mechanism or its reports suspect.
pub(super) const SUSPECTS: [Condition; 3] =
    [Condition::MechanismSuspect, Condition::CounterAnomaly, Condition::SlippedTapReport];

/// What was found.
pub(super) struct Gathered {
    pub(super) units: Vec<Unit>,
    pub(super) assumptions: Assumptions,
}

/// One regulator with all that is known of it.
pub(super) struct Unit {
    pub(super) regulator: Arc<Regulator>,
    pub(super) place: Place,
    pub(super) zone: Tz,
    pub(super) basis: WearBasis,
    pub(super) rule: ExerciseRule,
    pub(super) lived: Option<Lived>,
    pub(super) account: Option<Result<Account, NoAccount>>,
    pub(super) counter: Option<u64>,
    pub(super) recent: Recent,
    pub(super) shares: Shares,
    pub(super) suspects: Vec<(i64, &'static str)>,
}

/// What the last whole days told.
#[derive(Debug, Default)]
pub(super) struct Recent {
    /// Wear of the worst part, day by day.
    shares: Vec<DayShare>,
    operations: u64,
    days: u32,
}

/// All regulators that are asked for, without what the last days' wear forecasts: that has to be read day by day.
pub(super) async fn rows(app: &App, asked: &Asked, now: Timestamp) -> sqlx::Result<Gathered> {
    gather(app, |_, place| admits(asked, place), now).await
}

/// All regulators that `wanted` admits, without the forecast.
pub(super) async fn gather(
    app: &App,
    wanted: impl Fn(&Regulator, &Place) -> bool,
    now: Timestamp,
) -> sqlx::Result<Gathered> {
    let mut db = app.pool.acquire().await?;
    let thresholds = Thresholds::load(&mut db).await?;
    let mut units = units(app, &thresholds, wanted);
    let ids: Vec<i32> = units.iter().map(|unit| unit.regulator.id).collect();
    let mut lives = life::load(&mut db, &ids).await?;
    for unit in &mut units {
        unit.lived = lives.remove(&unit.regulator.id);
        let account = |lived: &Lived| unit.basis.account(&lived.wear, lived.first_counter, unit.counter);
        unit.account = unit.lived.as_ref().map(account);
    }
    operations(&mut db, &ids, &mut units, now).await?;
    let today = now.date_naive();
    let mut shares = life::by_regulator(&mut db, &ids, (today - Days::new(COUNTED), today)).await?;
    let mut suspects = suspects(&mut db, &ids).await?;
    for unit in &mut units {
        unit.shares = shares.remove(&unit.regulator.id).unwrap_or_default();
        unit.suspects = suspects.remove(&unit.regulator.id).unwrap_or_default();
    }
    Ok(Gathered { assumptions: assumptions(&thresholds, &units), units })
}

fn units(app: &App, thresholds: &Thresholds, wanted: impl Fn(&Regulator, &Place) -> bool) -> Vec<Unit> {
    app.picture.read(|fleet| {
        let wanted = fleet.units().iter().filter(|unit| wanted(&unit.regulator, &unit.row.place));
        let unit = |unit: &crate::picture::Unit| {
            let settings = thresholds.of_regulator(&unit.regulator);
            Unit {
                regulator: Arc::clone(&unit.regulator),
                place: unit.row.place.clone(),
                zone: unit.regulator.time_zone.parse().unwrap_or(Tz::UTC),
                basis: WearBasis::of(&unit.regulator.nameplate, &settings),
                rule: life::exercise_rule(&settings),
                lived: None,
                account: None,
                counter: unit.latest.as_ref().and_then(|l| l.good(Quantity::Operations)).and_then(whole),
                recent: Recent::default(),
                shares: Shares::default(),
                suspects: vec![],
            }
        };
        wanted.map(unit).collect()
    })
}

/// Operations of the last whole days of each site; the present day is not over, and left out.
async fn operations(
    db: &mut PgConnection,
    ids: &[i32],
    units: &mut [Unit],
    now: Timestamp,
) -> sqlx::Result<()> {
    let todays: Vec<NaiveDate> = units.iter().map(|unit| unit.today(now)).collect();
    let sums = life::operations_before(db, ids, &todays, COUNTED).await?;
    for unit in units {
        if let Some((operations, days)) = sums.get(&unit.regulator.id) {
            (unit.recent.operations, unit.recent.days) = (*operations, *days);
        }
    }
    Ok(())
}

impl Unit {
    fn today(&self, now: Timestamp) -> NaiveDate {
        now.with_timezone(&self.zone).date_naive()
    }

    fn take(&mut self, day: &Day, today: NaiveDate) {
        if day.day >= today {
            return;
        }
        if let Some(part) = self.worst() {
            let share = self.basis.share(&day.part(part));
            let day = (day.day - NaiveDate::default()).num_days();
            self.recent.shares.push(DayShare { day, share });
        }
    }

    /// The part most worn, of a unit with an account.
    pub(super) fn worst(&self) -> Option<Part> {
        Some(self.account.as_ref()?.as_ref().ok()?.worst().0)
    }

    /// As the pages show it.
    pub(super) fn row(&self) -> Row {
        let place = &self.place;
        let life = match &self.account {
            None => Life::NotAnalysed,
            Some(Err(why)) => Life::Cannot(*why),
            Some(Ok(account)) => {
                let (part, used) = account.worst();
                Life::Used(part, used, account.past)
            }
        };
        let until = self.lived.as_ref().map(|lived| lived.seen_until);
        let end = match (&life, until) {
            (Life::Used(_, used, _), Some(at)) => {
                Some(outlook(*used, &self.recent.shares, at, &ForecastRules::default()))
            }
            _ => None,
        };
        let days = self.recent.days;
        #[allow(clippy::cast_precision_loss, reason = "operations of a month")]
        let per_day = (days > 0).then(|| self.recent.operations as f64 / f64::from(days));
        Row {
            id: self.regulator.id,
            site_id: self.regulator.site.id,
            name: place.short(),
            above: format!("{} › {}", place.substation, place.feeder),
            order: (format!("{} {}", place.substation, place.feeder), place.short()),
            life,
            unplaced: self.lived.as_ref().map_or(0, |lived| lived.wear.unplaced),
            outlook: end,
            operations: (days > 0).then_some(self.recent.operations),
            per_day,
            counter: self.counter,
            dwell: self.lived.as_ref().map(|lived| lived.dwell(&self.rule)),
            suspects: self.suspects.clone(),
            main: self.shares.main().and_then(|cause| Some((cause, self.shares.share(cause)?))),
        }
    }
}

impl Gathered {
    /// Reads the wear of the last days, from which the end is forecast: of these regulators, or of all.
    pub(super) async fn forecast(
        &mut self,
        app: &App,
        of: Option<&HashSet<i32>>,
        now: Timestamp,
    ) -> sqlx::Result<()> {
        let days = u64::try_from(ForecastRules::default().days).unwrap_or(90);
        // A day earlier and later: sites have their own midnight.
        let between = (now.date_naive() - Days::new(days + 1), now.date_naive() + Days::new(1));
        let forecast = |unit: &Unit| {
            unit.worst().is_some() && of.is_none_or(|wanted| wanted.contains(&unit.regulator.id))
        };
        let places: HashMap<i32, usize> = self
            .units
            .iter()
            .enumerate()
            .filter(|(_, unit)| forecast(unit))
            .map(|(i, unit)| (unit.regulator.id, i))
            .collect();
        let ids: Vec<i32> = places.keys().copied().collect();
        let units = &mut self.units;
        let mut db = app.pool.acquire().await?;
        life::each_day(&mut db, &ids, between, |day| {
            if let Some(unit) = places.get(&day.regulator_id).and_then(|&i| units.get_mut(i)) {
                let today = unit.today(now);
                unit.take(&day, today);
            }
        })
        .await?;
        self.units.iter_mut().for_each(|unit| unit.recent.shares.sort_by_key(|share| share.day));
        Ok(())
    }

    /// These units as the pages show them, by id.
    pub(super) fn rows_of(&self, ids: &HashSet<i32>) -> HashMap<i32, Row> {
        let wanted = self.units.iter().filter(|unit| ids.contains(&unit.regulator.id));
        wanted.map(|unit| (unit.regulator.id, unit.row())).collect()
    }

    /// Every unit as the pages show it.
    pub(super) fn rows(&self) -> Vec<Row> {
        self.units.iter().map(Unit::row).collect()
    }
}

/// Open alarms that make a mechanism suspect, oldest first.
async fn suspects(
    db: &mut PgConnection,
    ids: &[i32],
) -> sqlx::Result<HashMap<i32, Vec<(i64, &'static str)>>> {
    let names: Vec<String> = SUSPECTS.iter().map(|c| c.name().to_owned()).collect();
    let rows = sqlx::query!(
        r#"select id, regulator_id as "regulator_id!", condition from alarm
            where returned_at is null and condition = any($1) and regulator_id = any($2) order by id"#,
        &names,
        ids
    )
    .fetch_all(db)
    .await?;
    let mut found: HashMap<i32, Vec<_>> = HashMap::new();
    for row in rows {
        if let Some(condition) = Condition::from_name(&row.condition) {
            found.entry(row.regulator_id).or_default().push((row.id, condition.title()));
        }
    }
    Ok(found)
}

/// The settings of the fleet, and whether some unit has others.
fn assumptions(thresholds: &Thresholds, units: &[Unit]) -> Assumptions {
    let fleet = thresholds.of_fleet();
    let get = |name| fleet.get(Condition::WearLimit, name);
    let (life_operations, exponent) = (get("life_operations"), get("exponent"));
    let current = get("assumed_current_percent");
    let differs = |unit: &Unit| {
        let model = &unit.basis.model;
        [
            model.law.life_operations - life_operations,
            model.law.exponent - exponent,
            100.0 * model.assumed_current - current,
        ]
        .iter()
        .any(|difference| difference.abs() > 1e-9)
    };
    Assumptions {
        life_operations,
        exponent,
        assumed_current_percent: current,
        vary: units.iter().any(differs),
    }
}
