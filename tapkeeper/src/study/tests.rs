use std::fmt::Write as _;

use clap::Parser as _;

use super::*;

#[derive(Debug, clap::Parser)]
struct Typed {
    #[command(flatten)]
    args: Args,
}

/// A day at 10 s: a slow swing of the source, and a control of common settings that follows it, made by the control model itself.
fn day() -> String {
    use regulator::compensator::PerUnitCurrent;
    use regulator::control::{Control, ControlSettings, Inputs};
    let (settings, mut control, mut tap) = (ControlSettings::common(), Control::new(), 0);
    let changer = regulator::taps::TapChanger::of(&regulator::Nameplate::common());
    let mut text =
        "seconds,load_voltage_v,real_power_kw,reactive_power_kvar,tap,set_voltage_v,bandwidth_v\n".to_owned();
    for i in 0..8640 {
        let at_s = 10.0 * f64::from(i);
        let source_voltage_v = 120.0 + 3.0 * (at_s / 5000.0).sin() + 1.1 * (at_s / 311.0).sin();
        let load = |tap: i32| source_voltage_v * changer.ratio(f64::from(tap));
        // The reading shows the tap as it was when the control looked, so that a replay meets the same voltages.
        writeln!(text, "{at_s},{:.4},600,150,{tap},122,2", load(tap)).unwrap();
        let inputs = Inputs {
            load_voltage_v: load(tap),
            source_voltage_v,
            current: PerUnitCurrent::default(),
            tap,
            automatic: true,
            blocked: false,
        };
        tap += control.look(&settings, if i == 0 { 0.0 } else { 10.0 }, &inputs).steps();
    }
    text
}

fn study(text: &str, options: &[&str]) -> Result<answer::Answer, String> {
    let words = ["study", "day.csv"].iter().chain(options);
    let typed = Typed::try_parse_from(words).map_err(|e| e.to_string())?;
    let nameplate = typed.args.nameplate.nameplate().map_err(|e| e.to_string())?;
    let found = table::read("day.csv", text.as_bytes(), None, &nameplate).map_err(|e| e.to_string())?;
    answer::Answer::of(&typed.args, nameplate, found).map_err(|e| e.to_string())
}

#[test]
fn the_report_begins_with_the_model_error_and_compares_side_by_side() {
    let options = ["--try", "bandwidth=4", "--try", "delay=90,timing=integrating,widening=on", "--sweep"];
    let answer = study(&day(), &options).unwrap();
    // Made by the model, so the model gives it back but for the taps of sequences between readings.
    assert_eq!(answer.trust, regulator::study::Trust::Well, "{:?}", answer.comparison.error);
    let text = report::text(&answer, "day.csv");
    let place = |what: &str| text.find(what).unwrap_or_else(|| panic!("no {what} in {text}"));
    assert!(
        place("Model error: good") < place("Settings") + text.len()
            && place("Model error") < place("Results")
    );
    assert!(place("Results") < place("Assumed") && place("Assumed") < place("Operations by bandwidth"));
    let line = |title: &str| text.lines().rfind(|l| l.trim_start().starts_with(title)).unwrap().to_owned();
    let row: Vec<u64> = line("Operations  ").split_whitespace().skip(1).map(|n| n.parse().unwrap()).collect();
    assert_eq!(row.len(), 4);
    assert_eq!(row[0], answer.comparison.recorded.operations);
    assert!(row[2] < row[1], "a wider band taps less: {row:?}");
    assert!(line("widening band").ends_with("on"));
    assert!(text.contains(&format!("[{}]", answer.comparison.present.outcome.operations)), "{text}");
    assert!(text.contains("Present delay is not reported"));
    assert!(!text.contains("Present bandwidth is not reported"));
}

#[test]
fn machines_get_the_same_numbers() {
    let answer = study(&day(), &["--try", "bandwidth=3", "--sweep"]).unwrap();
    let json: serde_json::Value = serde_json::from_str(&machine::json(&answer).unwrap()).unwrap();
    assert_eq!(json["tried"][0]["outcome"]["operations"], answer.comparison.tried[0].outcome.operations);
    assert_eq!(json["tried"][0]["settings"]["bandwidth"], 3.0);
    assert_eq!(json["present"]["origins"]["bandwidth"], "reported");
    assert_eq!(json["model_error"]["recorded"], answer.comparison.error.recorded);
    let csv = machine::map_csv(answer.map.as_ref().unwrap());
    assert_eq!(csv.lines().count(), 1 + 400);
    let present = answer.comparison.present.outcome.operations;
    assert!(csv.contains(&format!("\n2,30,{present},")), "{csv}");
}

#[test]
fn nonsense_is_refused_with_what_to_do() {
    let day = day();
    let told = |options: &[&str]| study(&day, options).unwrap_err();
    for (options, part) in [
        (&["--try", "bandwidth"][..], "--try: “bandwidth” is not NAME=VALUE"),
        (
            &["--try", "bandwidth=wide"],
            "--try: “wide” is not a number; give bandwidth as one from 0.5 to 12 V",
        ),
        (&["--try", "tap_min=-20"], "--try, tap_min: the unit has 16 steps below neutral"),
        (&["--present", "colour=red"], "--present: there is no setting “colour”"),
        (&["--steps", "31"], "see --steps"),
        (&["--winding-type", "C"], "it is A or B"),
        (&["--load-exponent", "3"], "give a number from 0 to 2"),
        (&["--csv", "out.csv"], "--sweep"),
    ] {
        assert!(told(options).contains(part), "{options:?}: {}", told(options));
    }
    let zeros = "seconds,load_voltage_v,tap\n0,0,1\n10,0,1\n";
    assert!(
        study(zeros, &[])
            .unwrap_err()
            .contains("none of the 2 readings can be used: 2 are without a usable voltage")
    );
}
