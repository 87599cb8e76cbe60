//! Whole areas that fall silent, and parts of Tapkeeper itself that stop.

use super::{Condition, Entry, Priority, RespondWithin, Scope, parameter, silence};

pub(super) const SUBSTATION_SILENT: Entry = Entry {
    condition: Condition::SubstationSilent,
    name: "substation_silent",
    title: "Substation not answering",
    scope: Scope::Substation,
    priority: Priority::High,
    respond_within: RespondWithin::minutes(30),
    suppressed_by: silence::OF_SUBSTATION,
    parameters: &[
        parameter("share_percent", "Endpoints not answering, at least", "%", 50.0, (1.0, 100.0)),
        parameter("least", "And at least so many", "", 3.0, (1.0, 10_000.0)),
        parameter("deadband_percent", "Over: below that share by, of it", "%", 50.0, (0.0, 99.0)),
        parameter("delay_s", "For at least", "s", 20.0, (1.0, 3600.0)),
        parameter("return_delay_s", "Over for at least", "s", 60.0, (0.0, 86_400.0)),
    ],
    cause: "What the endpoints share has failed: the link or router of the substation, a radio master, its \
        supply; or a feeder is out and its sites have lost power.",
    consequence: "None of the regulators behind the silent endpoints is watched; their own alarms of \
        silence are hidden behind this one.",
    response: "Ask first whether the feeder or the substation has lost supply. If not, call whoever runs the \
        communications and name the substation: it is one fault, not many. What was wrong there before \
        it fell silent stays on the board and may be wrong still.",
};

pub(super) const POLLER_CUT_OFF: Entry = Entry {
    condition: Condition::PollerCutOff,
    name: "poller_cut_off",
    title: "Poller cut off",
    scope: Scope::Poller,
    priority: Priority::Critical,
    respond_within: RespondWithin::minutes(15),
    suppressed_by: &[],
    parameters: &[
        parameter("share_percent", "Endpoints not answering, at least", "%", 60.0, (1.0, 100.0)),
        parameter("least", "And at least so many", "", 10.0, (1.0, 10_000.0)),
        parameter("deadband_percent", "Over: below that share by, of it", "%", 75.0, (0.0, 99.0)),
        parameter("delay_s", "For at least", "s", 10.0, (1.0, 3600.0)),
        parameter("return_delay_s", "Over for at least", "s", 120.0, (0.0, 86_400.0)),
    ],
    cause: "The poller's own network: its cable, switch, firewall, name service or route to the field. The \
        poller runs and reaches the database.",
    consequence: "Hardly anything that it polls is watched, and silence on the board means nothing until it \
        reaches the field again.",
    response: "Look at the poller's machine and its network; a change to a firewall or a route shortly \
        before is the usual suspect. Until it is back read what matters at the site or by other means.",
};

pub(super) const DETECTION_STOPPED: Entry = Entry {
    condition: Condition::DetectionStopped,
    name: "detection_stopped",
    title: "Detection stopped",
    scope: Scope::Part,
    priority: Priority::Critical,
    respond_within: RespondWithin::minutes(15),
    suppressed_by: &[],
    parameters: &[parameter("delay_s", "Readings wait and none is judged for", "s", 120.0, (10.0, 86_400.0))],
    cause: "The process that judges readings has stopped, waits for a lock or for a slow database, or \
        stumbles over the same reading again and again.",
    consequence: "Readings are stored, but nothing is found in them: no alarm is raised and none ends. A \
        calm board means nothing until it goes on.",
    response: "Look at the log of the server for its last error, and at the database for locks and space; start \
        it again. It goes on where it stopped, and tells then what it would have told. Until then \
        watch what matters by other means.",
};

pub(super) const DELIVERY_STOPPED: Entry = Entry {
    condition: Condition::DeliveryStopped,
    name: "delivery_stopped",
    title: "Delivery of messages stopped",
    scope: Scope::Part,
    priority: Priority::High,
    respond_within: RespondWithin::minutes(30),
    suppressed_by: &[],
    parameters: &[parameter(
        "delay_s",
        "Messages wait and none is delivered for",
        "s",
        300.0,
        (10.0, 86_400.0),
    )],
    cause: "The mail server or the receiver of webhooks does not answer or refuses, name service or network \
        have failed, or the delivering process has stopped.",
    consequence: "Whoever is on call is not told of alarms. The board shows them, if somebody looks.",
    response: "Tell the person on call by telephone that messages do not arrive. See the page of the \
        deliveries for the last error; check the mail server and the receivers. Messages that wait \
        are delivered once it works again.",
};

pub(super) const MESSAGES_UNDELIVERED: Entry = Entry {
    condition: Condition::MessagesUndelivered,
    name: "messages_undelivered",
    title: "Messages undelivered",
    scope: Scope::Part,
    priority: Priority::High,
    respond_within: RespondWithin::hours(1),
    suppressed_by: &[],
    parameters: &[parameter("delay_s", "On the dead-letter list for at least", "s", 0.0, (0.0, 86_400.0))],
    cause: "An address is wrong or its mailbox full, a receiver refuses, or trying again for long did not help.",
    consequence: "Somebody who should have been told was not, and will not be: these messages are not tried \
        again by themselves.",
    response: "See the dead-letter list for what they said and to whom. Tell that person another way if it \
        still matters, mend the address, then send the messages again or discard them.",
};
