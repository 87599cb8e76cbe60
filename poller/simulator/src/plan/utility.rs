//! The fictional utility: every name is invented, and the country is open plain.

use chrono_tz::Tz;

use super::BankSpec::{Ganged, Gateway, OneControl, OpenDelta, Separate, Single};
use super::Wire::{Heavy, Light};
use super::{FeederSpec, Plan, Refeed, Service, Stop, build, stop, village};
use crate::demand::Customers::{Homes, Pumps, Trade};
use crate::layout::Layout::{SingleBits, SingleFloat, SingleObjects, TripleInteger, TripleObjects};

/// The zone all sites lie in.
pub(crate) const TIME_ZONE: Tz = chrono_tz::America::Denver;
/// Where sun and clouds are reckoned from.
pub(crate) const ORIGIN: (f64, f64) = (38.55, -102.55);

/// Where a control is replaced.
pub(crate) const REPLACED_SITE: &str = "Fablecroft";
/// Where a counter passes 65535.
pub(crate) const ROLLOVER_SITE: &str = "Zigzagmere";
/// Where a control is left in manual, and which phase's.
pub(crate) const MANUAL_SITE: (&str, usize) = ("Drowsyfen", 1);
/// Where the panels sit whose clouds the regulators follow.
pub(crate) const CLOUD_SITE: &str = "Kettlemarrow";
/// Where power runs back at noon.
pub(crate) const REVERSE_SITE: &str = "Ottersprocket";
/// Whose endpoint comes and goes.
pub(crate) const DROPOUT_SITE: &str = "Velvetgorse";
/// Where the evening peak cannot be held.
pub(crate) const LOW_SITE: &str = "Umbershade";
/// Whose three regulators move as one.
pub(crate) const LOCKSTEP_SITE: &str = "Hollowquill";
/// Whose feeder is fed from its far end on a Saturday.
pub(crate) const REFED_SITE: &str = "Larkspindle";
/// Whose tap report slips, and which phase's.
pub(crate) const SLIPPED_SITE: (&str, usize) = ("Cindermarl", 0);
/// Whose motor fails, and which phase's.
pub(crate) const STUCK_SITE: (&str, usize) = ("Inkwhistle", 2);
/// Whose control does not wait for the regulator upstream.
pub(crate) const CASCADE_SITE: &str = "Ravelsnip";
/// Which never passes neutral.
pub(crate) const ONE_SIDED_SITE: &str = "Acornwither";
/// Whose contacts have done their work.
pub(crate) const WORN_SITE: &str = "Gossamere";
/// Where compensator R and X are entered in each other's place.
pub(crate) const CROSSED_SITE: &str = "Yarrowmuddle";
/// Where drives without filters distort the voltage.
pub(crate) const DISTORTED_SITE: &str = "Humblegrouse";
/// Where two regulators stand in open delta.
pub(crate) const DELTA_SITE: &str = "Emberknot";

/// The utility, its chances drawn from this seed.
pub(crate) fn plan(seed: u64) -> Plan {
    let feeders = [ozmarrow(), quillspire(), tumbleferrow(), murklewick()].concat();
    let mut plan = build(seed, TIME_ZONE, ORIGIN, &feeders);
    // The village and the last stop of the last feeder.
    let last = plan.nodes.len() - 1;
    plan.refeed = Some(Refeed { between: last - 1, end: last });
    plan
}

fn feeder(
    substation: &'static str,
    name: &'static str,
    service: Service,
    leaves: (f64, f64, f64),
    stops: Vec<Stop>,
) -> FeederSpec {
    FeederSpec { substation: substation.to_owned(), name: name.to_owned(), service, leaves, stops }
}

#[rustfmt::skip]
fn ozmarrow() -> Vec<FeederSpec> {
    let leaves = |heading| (38.71, -102.83, heading);
    let from = |name, heading, stops| feeder("Ozmarrow", name, Service::KV_12, leaves(heading), stops);
    vec![
        from("OZ 1", 20.0, vec![
            stop("Ambergloam", OneControl(TripleInteger), 219.0, 2.6, Heavy).serves(Homes, 1300.0).holds(122.5, 2.0, 30.0),
            stop("Bristlemoor", Gateway(SingleObjects), 150.0, 4.8, Heavy).serves(Homes, 900.0).holds(122.0, 2.2, 45.0),
            stop(SLIPPED_SITE.0, OneControl(TripleObjects), 100.0, 8.5, Light).serves(Homes, 620.0).holds(123.0, 2.5, 60.0),
        ]),
        from("OZ 2", 130.0, vec![
            stop("Dapplewisp", Separate(SingleBits), 219.0, 3.1, Heavy).serves(Trade, 1700.0).compensates(2.0, 1.5)
                .holds(121.5, 2.1, 30.0),
            stop("Eldershale", OneControl(TripleObjects), 150.0, 4.2, Heavy).serves(Homes, 1000.0).holds(122.0, 2.4, 45.0),
            stop(REPLACED_SITE, Single(1, SingleFloat), 100.0, 4.0, Light).serves(Homes, 210.0)
                .holds(121.5, 2.3, 60.0).counted(31_870),
        ]),
        from("OZ 3", 250.0, vec![
            stop(WORN_SITE, Gateway(SingleBits), 219.0, 2.2, Heavy).serves(Trade, 1200.0).holds(122.0, 2.4, 30.0)
                .counted(172_400),
            stop(LOCKSTEP_SITE, Ganged(TripleInteger), 150.0, 4.4, Heavy).serves(Pumps, 900.0).unbalanced(0.03).holds(122.0, 2.0, 45.0),
            stop(STUCK_SITE.0, Separate(SingleObjects), 100.0, 8.8, Light).serves(Homes, 480.0).panels(120.0, 4.0)
                .holds(122.0, 2.2, 60.0),
        ]),
    ]
}

#[rustfmt::skip]
fn quillspire() -> Vec<FeederSpec> {
    let leaves = |heading| (38.36, -102.71, heading);
    let from = |name, heading, stops| feeder("Quillspire", name, Service::KV_13, leaves(heading), stops);
    vec![
        from("QS 1", 75.0, vec![
            stop("Jumblethorn", OneControl(TripleObjects), 328.0, 1.8, Heavy).serves(Homes, 1600.0).holds(122.5, 2.5, 30.0),
            stop(CLOUD_SITE, Gateway(SingleObjects), 150.0, 6.8, Light).serves(Trade, 2300.0).panels(960.0, 0.4)
                .holds(121.5, 1.5, 15.0),
            stop("Lanternfen", OneControl(TripleInteger), 150.0, 5.0, Heavy).from(2).serves(Homes, 900.0).holds(122.0, 2.1, 60.0),
        ]),
        from("QS 2", 190.0, vec![
            stop("Mothbarrow", Separate(SingleObjects), 219.0, 2.4, Heavy).serves(Homes, 1900.0).holds(122.5, 2.4, 30.0),
            stop("Nettleglyph", OneControl(TripleObjects), 150.0, 3.8, Heavy).serves(Trade, 1500.0).holds(122.0, 2.3, 45.0),
            stop(REVERSE_SITE, Gateway(SingleBits), 100.0, 3.2, Light).serves(Homes, 520.0).panels(900.0, 5.0)
                .holds(121.5, 2.4, 60.0),
        ]),
        from("QS 3", 300.0, vec![
            stop("Pebbletoss", OneControl(TripleInteger), 219.0, 3.3, Heavy).serves(Homes, 1400.0).compensates(2.0, 2.0)
                .holds(121.5, 2.0, 30.0),
            stop("Quiverstone", Gateway(SingleObjects), 150.0, 7.4, Heavy).serves(Homes, 1000.0).holds(122.0, 2.2, 45.0),
            stop(CASCADE_SITE, OneControl(TripleObjects), 100.0, 9.7, Light).serves(Pumps, 560.0).holds(123.0, 1.5, 15.0),
        ]),
    ]
}

#[rustfmt::skip]
fn tumbleferrow() -> Vec<FeederSpec> {
    let leaves = |heading| (38.63, -102.28, heading);
    let from = |name, heading, stops| feeder("Tumbleferrow", name, Service::KV_25, leaves(heading), stops);
    vec![
        from("TF 1", 10.0, vec![
            stop("Saltspindle", OneControl(TripleObjects), 200.0, 6.5, Heavy).serves(Homes, 2300.0).holds(122.5, 2.1, 30.0),
            stop("Thimblewold", Gateway(SingleBits), 200.0, 9.0, Heavy).serves(Homes, 1500.0).holds(122.0, 2.4, 45.0),
            stop(LOW_SITE, Separate(SingleObjects), 100.0, 27.0, Light).serves(Homes, 3330.0).limited_to(8).unbalanced(0.03)
                .holds(120.0, 3.0, 60.0),
        ]),
        from("TF 2", 95.0, vec![
            stop(DROPOUT_SITE, OneControl(TripleInteger), 200.0, 7.0, Heavy).serves(Homes, 2600.0).holds(122.5, 2.3, 30.0),
            stop("Wigglebarn", Separate(SingleBits), 100.0, 14.5, Heavy).serves(Pumps, 1500.0).holds(122.0, 2.4, 45.0),
            stop("Xanthergap", Single(2, SingleBits), 100.0, 11.0, Light).serves(Homes, 330.0).holds(121.5, 2.0, 60.0),
        ]),
        from("TF 3", 165.0, vec![
            stop(CROSSED_SITE, Gateway(SingleObjects), 200.0, 5.5, Heavy).serves(Trade, 3000.0)
                .compensates(2.0, 8.0).holds(121.5, 2.2, 30.0),
            stop(ROLLOVER_SITE, OneControl(TripleInteger), 100.0, 9.8, Heavy).serves(Homes, 1400.0).holds(122.0, 2.5, 45.0)
                .counted(65_478),
            stop(ONE_SIDED_SITE, OneControl(TripleObjects), 100.0, 18.0, Light).serves(Homes, 800.0).panels(150.0, 5.0)
                .holds(122.0, 2.1, 60.0),
        ]),
    ]
}

#[rustfmt::skip]
fn murklewick() -> Vec<FeederSpec> {
    let leaves = |heading| (38.29, -102.24, heading);
    let from = |name, heading, service, stops| feeder("Murklewick", name, service, leaves(heading), stops);
    vec![
        from("MW 1", 340.0, Service::KV_12, vec![
            stop("Bumbleholm", OneControl(TripleObjects), 219.0, 2.8, Heavy).serves(Homes, 1500.0).holds(122.5, 2.4, 30.0),
            stop("Cobbleflux", Separate(SingleFloat), 150.0, 4.1, Heavy).serves(Homes, 900.0).holds(122.0, 2.3, 45.0),
            stop(MANUAL_SITE.0, Gateway(SingleBits), 100.0, 4.6, Light).serves(Homes, 330.0).holds(122.0, 2.5, 60.0),
        ]),
        from("MW 2", 60.0, Service::THREE_WIRE, vec![
            stop(DELTA_SITE, OpenDelta(SingleObjects), 200.0, 5.2, Heavy).serves(Pumps, 2600.0).holds(122.0, 2.0, 30.0),
            stop("Flintwhimsy", OpenDelta(SingleBits), 200.0, 9.5, Heavy).serves(Pumps, 2100.0).holds(122.0, 2.2, 45.0),
            stop("Grumblehithe", OpenDelta(SingleObjects), 100.0, 9.0, Light).serves(Trade, 1300.0).holds(122.0, 2.5, 60.0),
        ]),
        from("MW 3", 220.0, Service::KV_12, vec![
            stop(DISTORTED_SITE, Gateway(SingleObjects), 219.0, 3.5, Heavy).serves(Trade, 1500.0).distorts(9.0).holds(122.0, 2.1, 30.0),
            stop("Jinglemoss", OneControl(TripleObjects), 150.0, 4.5, Heavy).serves(Homes, 800.0).holds(122.0, 2.4, 45.0),
            village(4.5, Light).serves(Homes, 230.0),
            stop(REFED_SITE, Separate(SingleBits), 100.0, 5.0, Light).serves(Homes, 380.0).holds(122.0, 2.3, 60.0),
        ]),
    ]
}
