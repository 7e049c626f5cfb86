"""Random rules of RFC 5545 with what two other programs make of them, one a line.

Reads zone names; the release of the zone data is the argument. Where this side carries another, zones
are left to the years up to 2024, which every release knows as the past.
"""

import datetime as datetime_module
import random
import sys
from datetime import date, datetime, time, timedelta, timezone
from zoneinfo import ZoneInfo, available_timezones, reset_tzpath

import icalendar
import recurring_ical_events
import tzdata
from dateutil.rrule import rrulestr, rruleset

reset_tzpath(to=[])  # the tzdata package alone, whatever the system holds
CASES = 2100
DAYS = ["MO", "TU", "WE", "TH", "FR", "SA", "SU"]
REACH = {"HOURLY": 20, "DAILY": 250, "WEEKLY": 800, "MONTHLY": 2500, "YEARLY": 9000}
draw = random.Random(19971102)
same_data = tzdata.IANA_VERSION == sys.argv[1]
# dateutil looks for a time that never comes up to this year
datetime_module.MAXYEAR = 2075
names = sorted(set(sys.stdin.read().split()) & available_timezones())
first_day, last_day = date(1990, 1, 1), date(2035, 12, 31)
if not same_data:
    first_day, last_day = date(1990, 1, 1), date(2000, 1, 1)
    names = [n for n in names if n not in {
        "America/Tijuana", "America/Ensenada", "America/Santa_Isabel", "Mexico/BajaNorte",
        "Asia/Tehran", "Iran", "America/Bogota", "Europe/Chisinau", "Europe/Tiraspol"}]


def noon(zone, day):
    return datetime.combine(day, time(12), zone).utcoffset()


def near_a_change(zone):
    """A day some days before one on which the offset changes, if one is found."""
    start = first_day + timedelta(draw.randrange((last_day - first_day).days - 400))
    for step in range(7, 400, 7):
        if noon(zone, start + timedelta(step)) != noon(zone, start + timedelta(step - 7)):
            return start + timedelta(step - 7 - draw.randrange(3))
    return None


def some(values, most):
    return sorted(draw.sample(list(values), draw.randint(1, most)))


def signed(values, most):
    return [v if draw.random() < 0.7 else -v for v in some(values, most)]


def weekdays(numbered, most_number):
    days = [DAYS[i] for i in some(range(7), draw.choice([1, 2, 3, 5]))]
    if not numbered:
        return days
    return [f"{draw.choice([1, 2, -1, most_number])}{d}" for d in days[:3]]


def random_parts():
    freq = draw.choice(list(REACH))
    parts = {"FREQ": freq}
    if draw.random() < 0.5:
        most = {"HOURLY": 30, "DAILY": 20, "WEEKLY": 5, "MONTHLY": 7, "YEARLY": 4}[freq]
        parts["INTERVAL"] = draw.randint(1, most)
    if draw.random() < 0.4:
        parts["WKST"] = draw.choice(DAYS)
    if draw.random() < (0.5 if freq == "YEARLY" else 0.2):
        parts["BYMONTH"] = some(range(1, 13), 4)
    if freq == "YEARLY" and draw.random() < 0.3:
        parts["BYWEEKNO"] = signed(list(range(1, 54)) + [53] * 0, 3)
    if freq in ("YEARLY", "HOURLY") and draw.random() < 0.2:
        parts["BYYEARDAY"] = signed(range(1, 367), 4 if freq == "YEARLY" else 40)
    if freq != "WEEKLY" and draw.random() < 0.25:
        parts["BYMONTHDAY"] = signed(range(1, 32), 6)
    if draw.random() < 0.5:
        numbered = freq in ("MONTHLY", "YEARLY") and "BYWEEKNO" not in parts and draw.random() < 0.5
        most = 5 if freq == "MONTHLY" or "BYMONTH" in parts else 40
        parts["BYDAY"] = weekdays(numbered, most)
    if draw.random() < 0.25:
        parts["BYHOUR"] = some(range(24), 2)
    if draw.random() < 0.15 and freq != "HOURLY":
        parts["BYMINUTE"] = some(range(0, 60, 5), 2)
    if any(p.startswith("BY") for p in parts) and draw.random() < 0.25:
        parts["BYSETPOS"] = signed(range(1, 6), 2)
    return parts


def text(parts, leave=()):
    value = lambda v: ",".join(map(str, v)) if isinstance(v, list) else str(v)
    return ";".join(f"{k}={value(v)}" for k, v in parts.items() if k not in leave)


def endless(parts, start):
    """By dateutil. It chooses positions in a week among the days from the start on only (its issue
    1398), where RFC 5545 chooses among all, so there it is begun with the first day of the week."""
    reach = start + timedelta(REACH[parts["FREQ"]] + 1)
    stop = f";UNTIL={reach:%Y%m%dT%H%M%S}"
    if parts["FREQ"] == "WEEKLY" and "BYSETPOS" in parts:
        full = dict(parts)
        full.setdefault("BYDAY", [DAYS[start.weekday()]])
        full.setdefault("BYHOUR", [start.hour])
        full.setdefault("BYMINUTE", [start.minute])
        back = (start.weekday() - DAYS.index(parts.get("WKST", "MO"))) % 7
        begin = datetime.combine(start.date() - timedelta(back), time())
        rule = rrulestr(text(full, ("COUNT", "UNTIL")) + ";BYSECOND=0" + stop, dtstart=begin)
        return (t for t in rule if t >= start)
    return iter(rrulestr(text(parts, ("COUNT", "UNTIL")) + stop, dtstart=start))


def utc(wall, zone):
    return wall.replace(tzinfo=zone, fold=0).astimezone(timezone.utc)


def head(times, before, most=1000):
    found = []
    for t in times:
        if t >= before or len(found) > most:
            break
        found.append(t)
    return found


def shown(times):
    return ",".join(sorted({t.strftime("%Y-%m-%dT%H:%M:%SZ") for t in times}))


def by_recurring_ical_events(parts, zone_name, start, rule, added, left_out, window):
    stamp = lambda t: t.strftime("%Y%m%dT%H%M%S")
    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//check//EN", "BEGIN:VEVENT", "UID:1",
             "DTSTAMP:20260101T000000Z", f"DTSTART;TZID={zone_name}:{stamp(start)}", f"RRULE:{rule}"]
    for name, times in (("RDATE", added), ("EXDATE", left_out)):
        if times:
            lines.append(f"{name};TZID={zone_name}:" + ",".join(map(stamp, times)))
    lines += ["END:VEVENT", "END:VCALENDAR", ""]
    calendar = icalendar.Calendar.from_ical("\r\n".join(lines))
    events = recurring_ical_events.of(calendar).between(*window)
    return shown(e["DTSTART"].dt.astimezone(timezone.utc) for e in events)


def one_case():
    name = draw.choice(names)
    zone = ZoneInfo(name)
    day = near_a_change(zone) if draw.random() < 0.6 else None
    close = day is not None
    day = day or first_day + timedelta(draw.randrange((last_day - first_day).days))
    clock = time(draw.choice([0, 1, 1, 2, 2, 3]) if close else draw.randrange(24), draw.randrange(0, 60, 15))
    parts = random_parts()
    start = datetime.combine(day, clock)
    for _ in range(3):  # a start that its own rule meets
        try:
            following = head(endless(parts, start), start + timedelta(REACH[parts["FREQ"]]), 0)
        except ValueError:  # hours that an interval of hours never meets
            return None
        if not following:
            return None
        if following[0] == start:
            break
        start = following[0]
    else:
        return None
    before = start + timedelta(REACH[parts["FREQ"]])
    walls = head(endless(parts, start), before)
    if len(walls) > 900:
        return None
    per_day = {}
    for wall in walls:
        per_day[wall.date()] = per_day.get(wall.date(), 0) + 1
    if max(per_day.values()) > 24:
        return None
    end = draw.choice(["", "COUNT", "UNTIL", "UNTILZ"])
    rule = text(parts)
    ical_rule = rule
    if end == "COUNT":
        parts["COUNT"] = draw.randint(1, 40)
        walls = walls[: parts["COUNT"]]
        if len(walls) < parts["COUNT"]:
            return None  # would be looked for up to the year 9999
        rule = ical_rule = text(parts)
    elif end:
        until = draw.choice(walls)
        if draw.random() < 0.5:
            until = datetime.combine(until.date(), time(23, 59, 59))
        instant = utc(until, zone)
        ical_rule = f"{rule};UNTIL={instant:%Y%m%dT%H%M%SZ}"
        if end == "UNTIL":
            rule = f"{rule};UNTIL={until:%Y%m%dT%H%M%S}"
            walls = [w for w in walls if w <= until]
        else:
            rule = ical_rule
            walls = [w for w in walls if utc(w, zone) <= instant]
        if until < start or instant < utc(start, zone):
            return None
    else:  # without any end, times would be looked for up to the year 9999
        ical_rule = f"{rule};UNTIL={before + timedelta(2):%Y%m%dT%H%M%SZ}"
    added, left_out = [], []
    if draw.random() < 0.2:
        left_out = sorted(draw.sample(walls, min(len(walls), draw.randint(1, 3))))
    if draw.random() < 0.2:
        added = [start + timedelta(hours=draw.randrange(1, 24 * 60)) for _ in range(draw.randint(1, 2))]
        added = sorted(set(added) - set(left_out))
    window = (utc(start, zone) - timedelta(days=2, seconds=30), before.replace(tzinfo=timezone.utc) - timedelta(days=2, seconds=30))
    # dateutil, with its own ends where it has them
    times = rruleset()
    for wall in added:
        times.rdate(wall)
    for wall in left_out:
        times.exdate(wall)
    if "BYSETPOS" in parts and parts["FREQ"] == "WEEKLY" or end == "UNTILZ":
        for wall in walls:
            times.rdate(wall)
    else:
        bounded = rule if end else f"{rule};UNTIL={before:%Y%m%dT%H%M%S}"
        times.rrule(rrulestr(bounded, dtstart=start))
    dateutil = shown(
        i for i in (utc(w, zone) for w in head(times, before, 2000)) if window[0] <= i < window[1])
    ical = "-"
    from_week_start = start.weekday() == DAYS.index(parts.get("WKST", "MO"))
    # it leaves out, for a local time, what is at that time of UTC too
    confused = {utc(w, zone).replace(tzinfo=None) for w in walls + added} & set(left_out) or {
        utc(w, zone).replace(tzinfo=None) for w in left_out} & set(walls + added)
    if not (confused and zone.utcoffset(start)) and (
            "BYSETPOS" not in parts or parts["FREQ"] != "WEEKLY" or from_week_start):
        ical = by_recurring_ical_events(parts, name, start, ical_rule, added, left_out, window)
    stamps = lambda times: ",".join(t.isoformat(timespec="seconds") for t in times)
    return "|".join([name, start.isoformat(), rule, stamps(added), stamps(left_out),
                     window[0].strftime("%Y-%m-%dT%H:%M:%SZ"), window[1].strftime("%Y-%m-%dT%H:%M:%SZ"), dateutil, ical])


made = 0
while made < CASES:
    line = one_case()
    if line is not None:
        made += 1
        print(line)
