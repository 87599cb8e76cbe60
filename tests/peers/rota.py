"""Works out rotas with dateutil, and reads calendar feeds with icalendar.

Takes JSON on standard input: {"cases": [{"rota": ..., "from": ..., "to": ...}], "feeds": [TEXT]}. Tells as JSON, for each case and level, the turns that touch
the window as [person, from, to, why], and for each feed its name and events as [uid, from, to, summary, stamp].

Written from the words of the rule, not from our code: every instant at which anything can change is collected, and between each two of them it is asked,
layer by layer, who is on call.
"""

import json
import sys
from bisect import bisect_right
from datetime import date, datetime, time, timedelta, timezone

from dateutil import rrule, tz
from icalendar import Calendar

FAR = timedelta(days=400)


def instant(text):
    return datetime.fromisoformat(text.replace("Z", "+00:00")).astimezone(timezone.utc)


def text(at):
    return at.astimezone(timezone.utc).strftime("%Y-%m-%dT%H:%M:%SZ")


def to_utc(local, zone):
    """A skipped time is moved forward by the gap; fold=0 is the first of two (RFC 5545, 3.3.5)."""
    return tz.resolve_imaginary(local.replace(tzinfo=zone, fold=0)).astimezone(timezone.utc)


def handovers(level, zone, end):
    """When each turn of the list begins: one recurrence for each entry of the list."""
    first = datetime.combine(date.fromisoformat(level["start"]["date"]), time.fromisoformat(level["start"]["time"]))
    cycle = sum(turn["days"] for turn in level["turns"])
    found = []
    day = 0
    for turn in level["turns"]:
        rule = rrule.rrule(rrule.DAILY, interval=cycle, dtstart=first + timedelta(days=day), until=end.replace(tzinfo=None))
        found += [(to_utc(local, zone), turn["person"]) for local in rule]
        day += turn["days"]
    return sorted(found, key=lambda pair: pair[0])


def holidays(rota, level, zone):
    days = sorted(date.fromisoformat(day) for day in rota["holidays"])
    midnight = lambda day: to_utc(datetime.combine(day, time()), zone)
    persons = level["holidays"]
    return [
        (midnight(day), midnight(day + timedelta(days=1)), persons[n % len(persons)]) for n, day in enumerate(days) if persons
    ]


def turns(rota, level, begin, end):
    zone = tz.gettz(rota["zone"])
    regular = handovers(level, zone, end + FAR)
    starts = [at for at, _ in regular]
    free = holidays(rota, level, zone)
    mornings = [morning for morning, _, _ in free]
    overrides = [(instant(o["from"]), instant(o["to"]), o["person"]) for o in level["overrides"]]

    def who(at):
        """What holds at an instant: layer, which of the layer, person."""
        for n in reversed(range(len(overrides))):
            if overrides[n][0] <= at < overrides[n][1]:
                return "override", n, overrides[n][2]
        n = bisect_right(starts, at) - 1
        m = bisect_right(mornings, at) - 1
        if n >= 0 and m >= 0 and at < free[m][1]:
            return "holiday", m, free[m][2]
        return "regular", n, regular[n][1] if n >= 0 else None

    edges = {*starts, *(at for span in free + overrides for at in span[:2])}
    edges = sorted(at for at in edges if begin - FAR < at < end + FAR)
    out, last = [], None
    for at, until in zip(edges, edges[1:]):
        now = who(at)
        if now == last and out:
            out[-1][2] = until
        else:
            out.append([now[2], at, until, now[0]])
        last = now
    return [[p, text(a), text(b), why] for p, a, b, why in out if a < end and b > begin]


def events(feed):
    calendar = Calendar.from_ical(feed)
    found = [
        [str(e["UID"]), text(e["DTSTART"].dt), text(e["DTEND"].dt), str(e["SUMMARY"]), text(e["DTSTAMP"].dt)]
        for e in calendar.walk("VEVENT")
    ]
    return {"name": str(calendar["NAME"]), "version": str(calendar["VERSION"]), "events": found}


def main():
    order = json.load(sys.stdin)
    cases = [
        [turns(case["rota"], level, instant(case["from"]), instant(case["to"])) for level in case["rota"]["levels"]]
        for case in order["cases"]
    ]
    print(json.dumps({"cases": cases, "feeds": [events(feed) for feed in order["feeds"]]}))


main()
