//! Readings that do not come.

use super::{Condition, Entry, Priority, RespondWithin, Scope, parameter, silence};

pub(super) const READINGS_STALE: Entry = Entry {
    condition: Condition::ReadingsStale,
    name: "readings_stale",
    title: "Readings stale",
    scope: Scope::Regulator,
    priority: Priority::Medium,
    respond_within: RespondWithin::THIS_SHIFT,
    suppressed_by: silence::OF_READINGS,
    parameters: &[
        parameter("polls", "Poll intervals without a reading", "", 6.0, (2.0, 1000.0)),
        parameter("least_s", "And at least", "s", 120.0, (1.0, 86_400.0)),
    ],
    cause: "The control behind the endpoint is off, its unit address or profile is wrong, its \
        answers are refused, or the clock that stamps the readings is wrong.",
    consequence: "This regulator is not watched: none of its other conditions can be raised.",
    response: "See the page Polling for the error of this unit; read it with the probe command. If its \
        neighbours behind the same endpoint answer, the fault is at the control.",
};

pub(super) const ENDPOINT_SILENT: Entry = Entry {
    condition: Condition::EndpointSilent,
    name: "endpoint_silent",
    title: "Endpoint not answering",
    scope: Scope::Endpoint,
    priority: Priority::High,
    respond_within: RespondWithin::hours(1),
    suppressed_by: silence::OF_ENDPOINT,
    parameters: &[parameter("delay_s", "For at least", "s", 120.0, (1.0, 86_400.0))],
    cause: "The link, the modem or gateway, or the supply at the site has failed; or the address is \
        wrong.",
    consequence: "None of the regulators behind it is watched.",
    response: "See the page Polling for the kind of error and whether neighbours on the same link fail \
        too; check whether the site has lost supply; call whoever runs the communications.",
};

pub(super) const POLLER_SILENT: Entry = Entry {
    condition: Condition::PollerSilent,
    name: "poller_silent",
    title: "Poller silent",
    scope: Scope::Poller,
    priority: Priority::Critical,
    respond_within: RespondWithin::minutes(15),
    suppressed_by: &[],
    parameters: &[parameter("delay_s", "For at least", "s", 60.0, (5.0, 86_400.0))],
    cause: "The poller process has stopped, has lost the database, or its machine is down.",
    consequence: "Nothing that it polls is watched, and silence on the board means nothing until it is \
        back.",
    response: "Look at the poller's machine and log and start it again. Until then read what matters at \
        the site or by other means.",
};
