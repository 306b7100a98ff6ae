"""Clocks, categories, two weights of a drum and custody against Python's own decimal, fractions,
calendar and time zones, restated from the published rules
(computations.md C7, C9, C20, C21; the sections stand beside each rule)."""
import unittest
from calendar import monthrange
from datetime import date, datetime, timedelta, timezone
from decimal import Decimal, getcontext
from fractions import Fraction
from zoneinfo import ZoneInfo

from figures import CrossCheck

getcontext().prec = 60
UTC = timezone.utc
# 1 lb = 0.45359237 kg by definition.
KG = {"kg": Fraction(1), "g": Fraction(1, 1000), "[lb_av]": Fraction("0.45359237")}
ZONES = ["America/New_York", "America/Anchorage", "Europe/Berlin", "Pacific/Auckland",
         "Asia/Kathmandu", "Pacific/Kiritimati", "UTC"]
THIRD_RULE = date(2025, 1, 22)  # 89 FR 60692


def limit_days(rule, start):
    """Days of a limit by the day its clock starts."""
    old = start < THIRD_RULE
    return {
        "us.accumulation.lqg_days": 90,             # 40 CFR 262.17(a)
        "us.accumulation.sqg_days": 180,            # 40 CFR 262.16(b)
        "us.accumulation.sqg_far_days": 270,        # 40 CFR 262.16(c)
        "us.satellite.excess_days": 3,              # 40 CFR 262.15(a)(6)
        "us.exception.lqg.contact_days": 35 if old else 45,  # 40 CFR 262.42(a)(1)
        "us.exception.lqg.report_days": 45 if old else 60,   # 40 CFR 262.42(a)(2)
        "us.exception.sqg.report_days": 60,         # 40 CFR 262.42(b)
        "us.discrepancy.settle_days": 15,           # 40 CFR 264.72(c), default of an open value
    }[rule]


def same_day(start, months):
    """The same day of a later month; the first of the next one where that day is missing."""
    years, month = divmod(start.month - 1 + months, 12)
    year, month = start.year + years, month + 1
    if start.day <= monthrange(year, month)[1]:
        return date(year, month, start.day)
    return date(year + month // 12, month % 12 + 1, 1)


def category(acute, non_acute, residue):
    """40 CFR 260.10, 262.13, exact values in kg."""
    if acute > 1 or non_acute >= 1000 or residue > 100:
        return "large"
    return "small" if non_acute > 100 else "very_small"


def exact(fraction):
    """A fraction whose decimals end, as digits."""
    return format(Decimal(fraction.numerator) / Decimal(fraction.denominator), "f")


class Waste(CrossCheck):
    def day(self, first=2019, last=2036):
        start = date(first, 1, 1)
        return start + timedelta(days=self.random.randrange((date(last, 1, 1) - start).days))

    def leaping(self):
        """A day, one in four of them around the end of a February."""
        if self.random.random() < 0.25:
            return date(self.random.randrange(2019, 2036), 2, 26) + timedelta(days=self.random.randrange(5))
        return self.day()

    # C20: start + N calendar days; with the start day as day 1, one day earlier.
    def test_last_days(self):
        rules = ["us.accumulation.lqg_days", "us.accumulation.sqg_days", "us.accumulation.sqg_far_days",
                 "us.satellite.excess_days", "us.exception.lqg.contact_days",
                 "us.exception.lqg.report_days", "us.exception.sqg.report_days",
                 "us.discrepancy.settle_days"]
        given = [{"jurisdiction": "us", "rule": self.random.choice(rules), "strict": self.random.random() < 0.3,
                  "start": str(self.leaping())} for _ in range(2_000)]
        # The day of a change and the day before it.
        given += [{"jurisdiction": "us", "rule": rule, "start": str(start)}
                  for rule in rules for start in (THIRD_RULE - timedelta(days=1), THIRD_RULE)]
        for case, found in zip(given, self.answers("waste.last_day", given)):
            start = date.fromisoformat(case["start"])
            days = limit_days(case["rule"], start)
            self.assertEqual(found["value"], str(days), case)
            last = start + timedelta(days=days - case.get("strict", False))
            self.assertEqual(found["last_day"], str(last), case)

    # 40 CFR 262.40, 2008/98/EC Art. 35(2): the same day years or months later; a 29 February ends
    # on 1 March.
    def test_records_are_kept(self):
        rules = [("us", "us.retention.manifest_years", 36), ("us", "us.retention.report_years", 36),
                 ("us", "us.retention.determination_years", 36), ("eu", "eu.retention.producer_years", 36),
                 ("eu", "eu.retention.transporter_months", 12)]
        given, months = [], []
        for _ in range(1_000):
            jurisdiction, rule, length = self.random.choice(rules)
            given.append({"jurisdiction": jurisdiction, "rule": rule, "start": str(self.leaping())})
            months.append(length)
        for case, length, found in zip(given, months, self.answers("waste.keep_until", given)):
            self.assertEqual(found, str(same_day(date.fromisoformat(case["start"]), length)), case)

    # SI 2005/894 reg. 53(4): the last day of the month after the quarter.
    def test_quarterly_returns(self):
        given = [{"received": str(self.leaping())} for _ in range(500)]
        for case, found in zip(given, self.answers("waste.return_due", given)):
            received = date.fromisoformat(case["received"])
            due_month = {1: 4, 2: 7, 3: 10, 4: 13}[(received.month + 2) // 3]
            year, month = received.year + due_month // 13, due_month if due_month < 13 else 1
            self.assertEqual(found, str(date(year, month, monthrange(year, month)[1])), case)

    # 40 CFR 262.41: for odd years, by 1 March of the next.
    def test_biennial_reports(self):
        given = [{"year": year} for year in range(2021, 2061)]
        for case, found in zip(given, self.answers("waste.biennial_due", given)):
            year = case["year"]
            self.assertEqual(found, str(date(year + 1, 3, 1)) if year % 2 else None, case)

    # C21: exact values, at and beside every limit.
    def test_categories(self):
        near = [Fraction(0), Fraction(1), Fraction(100), Fraction(1000)]

        def mass():
            base = self.random.choice(near) + Fraction(self.random.choice([-1, 0, 0, 1, 500]), self.random.choice([1, 1000, 10**6]))
            return max(base, Fraction(0))

        given, wanted = [], []
        for _ in range(2_000):
            acute, non_acute, residue = (mass() if self.random.random() < 0.5 else Fraction(0) for _ in range(3))
            given.append({"acute": exact(acute), "non_acute": exact(non_acute), "residue": exact(residue),
                          "on": str(self.day())})
            wanted.append(category(acute, non_acute, residue))
        for case, found, want in zip(given, self.answers("waste.category", given), wanted):
            self.assertEqual(found, want, case)

    def additions(self, zone, first, last):
        """Additions between two local days, many of them within minutes of a local midnight."""
        added = []
        for _ in range(self.random.randrange(1, 14)):
            day = first + timedelta(days=self.random.randrange((last - first).days + 1))
            if self.random.random() < 0.5:
                local = datetime(day.year, day.month, day.day, tzinfo=zone)
                at = local.astimezone(UTC) + timedelta(minutes=self.random.randrange(-90, 91), seconds=self.random.randrange(60))
            else:
                at = datetime(day.year, day.month, day.day, self.random.randrange(24), self.random.randrange(60),
                              tzinfo=zone).astimezone(UTC)
            unit = self.random.choice(list(KG))
            kilograms = Fraction(self.random.randrange(1, 60_000), 1000)
            value = {"kg": kilograms, "g": kilograms * 1000, "[lb_av]": kilograms}[unit]
            added.append((at, value, unit))
        return added

    def told(self, added):
        return [{"at": at.isoformat().replace("+00:00", "Z"), "value": exact(value), "unit": unit}
                for at, value, unit in added]

    # C21: months of the site's own calendar, across changes of the clock and the date line.
    def test_months(self):
        given, wanted = [], []
        for _ in range(150):
            zone = self.random.choice(ZONES)
            first = self.day(2024, 2029)
            last = first + timedelta(days=self.random.randrange(1, 120))
            added = self.additions(ZoneInfo(zone), first, last)
            sums = {}
            for at, value, unit in added:
                month = at.astimezone(ZoneInfo(zone)).strftime("%Y-%m")
                sums[month] = sums.get(month, 0) + value * KG[unit]
            wanted.append([(month, kg, category(0, kg, 0)) for month, kg in sorted(sums.items())])
            given.append({"zone": zone, "begun": f"{first - timedelta(days=40)}T00:00:00Z", "added": self.told(added),
                          "from": str(first - timedelta(days=40)), "to": str(last + timedelta(days=40)),
                          "now": f"{last + timedelta(days=80)}T00:00:00Z"})
        for case, found, want in zip(given, self.answers("waste.months", given), wanted):
            months = [(m["month"], Fraction(m["kg"]), m["category"]) for m in found]
            self.assertEqual(months, want, case)

    # C21: sum + daily mean x days left; the margin; a warning when that crosses a limit.
    def test_forecasts(self):
        given, wanted = [], []
        for _ in range(150):
            zone = ZoneInfo(self.random.choice(ZONES))
            day = self.leaping()
            first, days = day.replace(day=1), monthrange(day.year, day.month)[1]
            added = [a for a in self.additions(zone, first, day)
                     if a[0].astimezone(zone).date().replace(day=1) == first and a[0].astimezone(zone).date() <= day]
            kg = sum((value * KG[unit] for _, value, unit in added), Fraction(0))
            now = category(0, kg, 0)
            want = {"category": now, "margin": None, "kg": None, "then": None, "warn": False}
            if now != "large":
                want["margin"] = (100 if now == "very_small" else 1000) - kg
            if day.day < days:
                end = kg * days / day.day
                want.update(kg=end, then=category(0, end, 0))
                want["warn"] = want["then"] != now
            noon = datetime(day.year, day.month, day.day, 12, tzinfo=zone).astimezone(UTC)
            # What was put in later that day is not known yet, but it is counted: the day is not over.
            wanted.append(want)
            given.append({"zone": str(zone), "begun": f"{first - timedelta(days=3)}T00:00:00Z",
                          "added": self.told(added), "month": str(first), "now": noon.isoformat()})
        for case, found, want in zip(given, self.answers("waste.forecast", given), wanted):
            for name in ("category", "then", "warn"):
                self.assertEqual(found[name], want[name], (name, case))
            self.assertEqual(found["changes"] > 0, want["warn"], case)
            if want["margin"] is None:
                self.assertIsNone(found["margin"], case)
            else:
                self.assertEqual(Fraction(found["margin"]), want["margin"], case)
            if want["kg"] is None:
                self.assertIsNone(found["kg"], case)
            else:
                self.assertLessEqual(abs(Fraction(found["kg"]) - want["kg"]), Fraction(1, 2000), case)

    # C7: E_n = |x1 - x2| / sqrt(n (U1^2 + U2^2)) and 40 CFR 264.72(b): more than 10 % of what was
    # shipped. The verdicts are those of exact fractions.
    def test_two_weights(self):
        given, wanted = [], []
        for _ in range(1_500):
            draw = self.random
            shipped = Fraction(draw.randrange(1, 2_000_000), 1000)
            u1, u2 = Fraction(draw.randrange(1, 400), 1000), Fraction(draw.randrange(1, 400), 1000)
            drums = draw.randrange(1, 25)
            spread = draw.choice([Fraction(1, 10), Fraction(-1, 10), Fraction(11, 100), Fraction(0)])
            received = shipped + shipped * spread + Fraction(draw.choice([-1, 0, 0, 1]), 1000)
            if draw.random() < 0.5:
                received = shipped + Fraction(draw.randrange(-900, 901), 1000)
            if draw.random() < 0.1:  # |E_n| of exactly 1: a triangle of 3, 4 and 5
                u1, u2, drums = Fraction(3, 10), Fraction(4, 10), 1
                received = shipped + draw.choice([-1, 1]) * Fraction(5, 10)
            if received < 0:
                continue
            bulk = draw.random() < 0.5
            given.append({"shipped": exact(shipped), "received": exact(received), "shipped_u": exact(u1),
                          "received_u": exact(u2), "drums": drums, "bulk": bulk, "on": "2026-06-15"})
            difference = abs(received - shipped)
            wanted.append((difference, shipped, drums * (u1 * u1 + u2 * u2), bulk))
        for case, found, (difference, shipped, variance, bulk) in zip(
                given, self.answers("waste.two_weights", given), wanted):
            self.assertEqual(found["agree"], difference * difference <= variance, case)
            significant = difference * 10 > shipped if bulk else None
            self.assertEqual(found["significant"], significant, case)
            root = (Decimal(variance.numerator) / Decimal(variance.denominator)).sqrt()
            e_n = Decimal(difference.numerator) / Decimal(difference.denominator) / root
            self.assertLessEqual(abs(Decimal(found["e_n"]) - e_n), Decimal("0.0000051"), case)
            percent = difference * 100 / shipped
            self.assertLessEqual(abs(Fraction(found["percent"]) - percent), Fraction(51, 10**8), case)

    # 40 CFR 264.72(b): any difference in piece count.
    def test_pieces(self):
        given = [{"shipped": self.random.randrange(1, 40), "on": "2026-06-15"} for _ in range(300)]
        for case in given:
            case["received"] = max(0, case["shipped"] + self.random.choice([-2, -1, 0, 0, 0, 1]))
        for case, found in zip(given, self.answers("waste.pieces", given)):
            self.assertEqual(found, case["shipped"] != case["received"], case)

    # C9: one holder at a time; a giver who is not the holder is a gap; a bag counts once; the sum of
    # n additions and one weighing agree within U sqrt(n + 1).
    def test_custody(self):
        given, wanted = [], []
        for _ in range(200):
            case, want = self.life_of_a_drum()
            given.append(case)
            wanted.append(want)
        for case, found, want in zip(given, self.answers("waste.custody", given), wanted):
            for name in ("custody", "state", "told_twice", "agrees"):
                self.assertEqual(found[name], want[name], (name, case))
            for name in ("added", "net"):
                told = None if found[name] is None else Fraction(found[name])
                self.assertEqual(told, want[name], (name, case))

    def life_of_a_drum(self):
        draw, zone = self.random, ZoneInfo(self.random.choice(ZONES))
        people = ["op_a", "op_b", "op_c"]
        clock = datetime(2026, draw.choice([1, 3, 6, 10]), draw.randrange(1, 28), 8, 0)
        uncertainty = Fraction(draw.randrange(1, 200), 1000)
        lines = []

        def tell(who, what):
            nonlocal clock
            clock += timedelta(minutes=draw.randrange(1, 600))
            if 1 <= clock.hour < 4:  # no local time that the change of the clock skips or doubles
                clock += timedelta(hours=4)
            lines.append(f"{clock:%Y-%m-%d %H:%M} {who} {what}")

        tell("op_a", "stream.determined stream/A material=PA12 description=dust determination=hazardous "
                     "codes.rcra=[D001] decided_by=op_a basis=test jurisdiction=us")
        holder = draw.choice(people)
        tell(holder, "container.opened container/D-1 stream=A tare=9.80kg area=central location=CAA-1")
        tell(holder, "container.opened container/D-2 stream=A tare=9.80kg area=central location=CAA-1")
        chain, bags, added, entries, twice = [[holder, False, None]], {}, Fraction(0), 0, 0
        for number in range(draw.randrange(1, 9)):
            bag = draw.choice([f"B-{number}", f"B-{draw.randrange(3)}"])
            kg = Fraction(draw.randrange(100, 9000), 1000)
            tell(holder, f"waste.added container/D-1 what=vacuum_bag item={bag} mass={exact(kg)}kg")
            entries += 1
            twice += bag in bags
            added += 0 if bag in bags else kg
            bags[bag] = True
        for _ in range(draw.randrange(0, 4)):
            giver, taker = draw.choice([holder, holder, *people]), draw.choice(people)
            by = draw.choice([giver, taker])
            tell(by, "container.moved container/D-1 from.area=central from.location=CAA-1 to.area=central "
                     f"to.location=CAA-1 giver={giver} receiver={taker}")
            chain.append([taker, giver != holder, giver == taker == by])
            holder = taker
        net = agrees = None
        if draw.random() < 0.8:
            u2 = uncertainty * uncertainty * (entries + 1)
            off = draw.choice([Fraction(0), Fraction(draw.randrange(-600, 601), 1000)])
            net = added + off
            if net >= 0:
                tell(holder, f"container.weighed container/D-1 gross={exact(net + Fraction('9.8'))}kg scale=SC-1")
                agrees = off * off <= u2
            else:
                net = None
        state = "on_site"
        if draw.random() < 0.7:
            offerer = draw.choice([holder, holder, *people])
            tell(offerer, "shipment.offered shipment/S-1 document.kind=manifest document.number=012345678ABC "
                          f"containers=[D-1] transporter=TR-1 facility=FA-1 offered_by={offerer}")
            tell(offerer, f"shipment.accepted shipment/S-1 transporter=TR-1 leg=1 day={clock:%Y-%m-%d}")
            chain.append(["transporter/TR-1", offerer != holder, None])
            state = "in_transit"
            if draw.random() < 0.5:
                tell(offerer, f"shipment.accepted shipment/S-1 transporter=TR-2 leg=2 day={clock:%Y-%m-%d}")
                chain.append(["transporter/TR-2", False, None])
            if draw.random() < 0.7:
                mass = net if net else added
                tell("op_a", f"shipment.delivered shipment/S-1 facility=FA-1 received=[D-1={exact(mass)}kg] "
                             f"pieces=1 day={clock:%Y-%m-%d}")
                chain.append(["facility/FA-1", False, None])
                state = "received"
                if draw.random() < 0.5:
                    tell("op_a", f"disposal.certified shipment/S-1 certificate=C-1 method=D10 mass={exact(mass)}kg")
                    chain.append(["facility/FA-1", False, None])
                    state = "disposed"
        now = (clock + timedelta(days=3)).replace(tzinfo=zone).astimezone(UTC).isoformat()
        case = {"zone": str(zone), "weighing_u": exact(uncertainty), "told": lines, "container": "D-1", "now": now}
        return case, {"custody": chain, "state": state, "added": added, "net": net, "agrees": agrees,
                      "told_twice": twice}


if __name__ == "__main__":
    unittest.main()
