"""Meters, slopes, rates, lives, stock, limits, dust and exposure against SciPy, lifelines,
statsmodels and Python's own calendar (computations.md C1 to C3, C11, C12, C14 to C16, C19, C22)."""
import math
import unittest
import warnings
from datetime import datetime, timedelta
from decimal import Decimal
from zoneinfo import ZoneInfo

import numpy as np
from lifelines import KaplanMeierFitter, WeibullFitter
from scipy import integrate, optimize, stats
from statsmodels.stats.proportion import proportion_confint

from figures import CrossCheck

BERLIN = ZoneInfo("Europe/Berlin")
UTC = ZoneInfo("UTC")


def tenths(number):
    """A number of tenths as decimal digits."""
    return str(Decimal(number) / 10)


class Equipment(CrossCheck):
    def ages(self, parts):
        """Ages of parts and whether they failed; ties and censoring included."""
        shape, scale = self.random.uniform(0.6, 4), self.random.uniform(50, 900)
        ends = [round(self.random.weibullvariate(scale, shape) + 0.1, 1) for _ in range(parts)]
        stop = scale * self.random.uniform(0.5, 2)
        return [[min(end, round(stop, 1)), end <= stop] for end in ends]

    # C3: the count over rollovers, replacements and clock changes, worked out with the time zone
    # data of Python in tenths of an hour.
    def test_count_of_a_meter(self):
        given, expected = [], []
        for _ in range(400):
            case, count, held = self.meter_history()
            given.append(case)
            expected.append({"counted": count, "held": held})
        for case, found, want in zip(given, self.answers("meter.count", given), expected):
            self.assertEqual(Decimal(found["counted"]), want["counted"], case)
            self.assertEqual(found["held"], want["held"], case)

    def meter_history(self):
        draw = self.random
        modulus = draw.choice([None, 10_000, 99_999])  # tenths of an hour
        # Local midnights around both changes of the clock.
        day = datetime(2026, draw.choice([3, 10]), 24, tzinfo=BERLIN)
        shown = draw.randrange(9_000, 10_000)
        instant = day + timedelta(hours=draw.randrange(8))
        told = [{"time": instant.isoformat(), "shown": tenths(shown), "first_new": None}]
        count, held, last = shown, [], instant
        for number in range(1, draw.randrange(2, 14)):
            instant = (instant.astimezone(UTC) + timedelta(hours=draw.randrange(1, 30))).astimezone(BERLIN)
            elapsed = (instant.astimezone(UTC) - last.astimezone(UTC)) // timedelta(hours=1) * 10
            step = draw.choice([0, elapsed // 2, elapsed, elapsed + 1, elapsed + 2, -3])
            reading = shown + step
            if modulus is not None:
                reading %= modulus
            reading = max(reading, 0)
            first_new = draw.choice([0, 30]) if draw.random() < 0.1 else None
            told.append({"time": instant.isoformat(), "shown": tenths(reading),
                         "first_new": None if first_new is None else tenths(first_new)})
            counted = reading - shown if reading >= shown or modulus is None else reading - shown + modulus
            if 0 <= counted <= elapsed + 1:
                count, shown, last = count + counted, reading, instant
            else:
                held.append(number)
            if first_new is not None:
                shown, last = first_new, instant
        case = {"rolls_over_at": None if modulus is None else tenths(modulus), "told": told}
        return case, Decimal(count) / 10, held

    # C1: a plain restatement in integers and dates.
    def test_state_of_a_task(self):
        draw, given, expected = self.random, [], []
        for _ in range(400):
            limit, warn = draw.randrange(1, 5_000), draw.randrange(1, 101)
            used = draw.choice([limit, limit - 1, limit * warn // 100, draw.randrange(2 * limit)])
            start = datetime(2026, 3, 2, 12, tzinfo=UTC)
            days = draw.choice([None, draw.randrange(1, 2_000)])
            passed = draw.choice([days or 0, (days or 0) - 1, draw.randrange(2_000)])
            now = start + timedelta(days=max(passed, 0))
            read_at = start + timedelta(hours=used // 10 + 1)
            given.append({
                "limit": tenths(limit), "warn_percent": warn,
                "interval": None if days is None else f"P{days}D",
                "serviced_at": start.isoformat(), "serviced": "1000.0",
                "read_at": read_at.isoformat(), "shown": tenths(10_000 + used),
                "now": max(now, read_at).isoformat(),
            })
            passed = (max(now, read_at).date() - start.date()).days
            by_day = days is not None
            if used >= limit or (by_day and passed >= days):
                state = "due"
            elif used * 100 >= limit * warn or (by_day and passed * 100 >= days * warn):
                state = "due_soon"
            else:
                state = "within_limit"
            share = max(used * 100 // limit, passed * 100 // days if by_day else 0)
            expected.append({"state": state, "percent": share})
        for case, found, want in zip(given, self.answers("task.state", given), expected):
            self.assertEqual(found, want, case)

    # C2 and C22: scipy.stats.theilslopes.
    def test_robust_slope(self):
        draw, given = self.random, []
        for _ in range(500):
            days = sorted(draw.randrange(60) for _ in range(draw.randrange(3, 40)))
            rate, value = draw.uniform(0, 20), 1000.0
            points = []
            for day in days:
                noise = draw.choice([0, draw.gauss(0, 5), draw.uniform(0, 100)])
                points.append([float(day), round(value + rate * day + noise, draw.choice([0, 1]))])
            if len(set(days)) > 1:
                given.append(points)
        for points, found in zip(given, self.answers("slope.robust", given)):
            x, y = np.array(points).T
            want = stats.theilslopes(y, x, 0.95)
            self.close(found["slope"], want.slope, 1e-12, points, 1e-12)
            self.close(found["low"], want.low_slope, 1e-12, points, 1e-12)
            self.close(found["high"], want.high_slope, 1e-12, points, 1e-12)

    # C2: the slope of SciPy on the working days of NumPy, holidays included.
    def test_forecast_of_a_day(self):
        draw, given = self.random, []
        for _ in range(300):
            week = sorted(draw.sample(range(1, 8), draw.randrange(1, 8)))
            first = datetime(2026, 3, 2, 12, tzinfo=UTC)
            days = sorted(draw.sample(range(40), draw.randrange(1, 25)))
            shown, told, most = 10_000, [], draw.choice([1, 200, 200, 200])
            for day, next_day in zip(days, days[1:] + [days[-1] + 1]):
                told.append([(first + timedelta(days=day)).isoformat(), tenths(shown)])
                shown += draw.randrange(0, most) * (next_day - day)
            holidays = [(first.date() + timedelta(days=draw.randrange(300))).isoformat()
                        for _ in range(draw.randrange(30))]
            given.append({"working_days": week, "holidays": holidays, "told": told,
                          "limit": tenths(draw.randrange(1, 20_000))})
        outlooks = set()
        for case, found in zip(given, self.answers("forecast.day", given)):
            outlooks.add(found["outlook"])
            self.assertEqual({k: found[k] for k in ("outlook", "expected", "earliest", "latest")},
                             self.forecast(case), case)
        self.assertEqual(outlooks, {"expected", "due now", "not enough data", "not moving"})

    def forecast(self, case):
        mask = [day in case["working_days"] for day in range(1, 8)]
        working = np.busdaycalendar(weekmask=mask, holidays=case["holidays"])
        days = [np.datetime64(time[:10]) for time, _ in case["told"]]
        hours = [float(shown) for _, shown in case["told"]]
        remaining = float(case["limit"]) - (hours[-1] - hours[0])
        nothing = {"expected": None, "earliest": None, "latest": None}
        if remaining <= 1e-9:
            return {"outlook": "due now", **nothing}
        if len(days) < 4:
            return {"outlook": "not enough data", **nothing}
        # A day off counts with the last working day before it.
        axis = [int(np.busday_count(days[0], day + 1, busdaycal=working)) for day in days]
        if len(set(axis)) == 1:
            return {"outlook": "not moving", **nothing}
        slope = stats.theilslopes(hours, axis, 0.95)
        last = np.busday_offset(days[-1], 0, roll="backward", busdaycal=working)

        def reached(rate):
            ahead = math.ceil(round(remaining / rate, 9)) if rate > 1e-12 else math.inf
            if ahead > 3650:
                return None
            return str(np.busday_offset(last, ahead, busdaycal=working))

        if reached(slope.slope) is None or reached(slope.high_slope) is None:
            return {"outlook": "not moving", **nothing}
        return {"outlook": "expected", "expected": reached(slope.slope),
                "earliest": reached(slope.high_slope), "latest": reached(slope.low_slope)}

    # C14: statsmodels.stats.proportion.proportion_confint.
    def test_rates(self):
        given = [[hits, of] for of in range(1, 61) for hits in range(of + 1)]
        given += [[self.random.randrange(n + 1), n] for n in (self.random.randrange(61, 5_000) for _ in range(300))]
        for ours, theirs in (("rate.wilson", "wilson"), ("rate.exact", "beta")):
            for (hits, of), found in zip(given, self.answers(ours, given)):
                low, high = proportion_confint(hits, of, method=theirs)
                # Ours takes z = 1.959964, six digits after the point.
                self.close(found["low"], low, 1e-7, (theirs, hits, of), 1e-7)
                self.close(found["high"], high, 1e-7, (theirs, hits, of), 1e-7)

    # C15: lifelines.KaplanMeierFitter.
    def test_survival(self):
        given = [self.ages(self.random.randrange(1, 60)) for _ in range(200)]
        for _ in range(100):  # few distinct ages: many ties between failures and censorings
            given.append([[float(self.random.randrange(1, 6)), self.random.random() < 0.5] for _ in range(20)])
        for lives, found in zip(given, self.answers("life.survival", given)):
            hours, failed = zip(*lives)
            table = KaplanMeierFitter().fit(hours, failed)
            steps = table.event_table[table.event_table.observed > 0]
            self.assertEqual([s["hours"] for s in found], list(steps.index), lives)
            self.assertEqual([s["at_risk"] for s in found], list(steps.at_risk), lives)
            for step in found:
                want = table.survival_function_.KM_estimate.loc[step["hours"]]
                self.close(step["share"], want, 1e-12, lives, 1e-12)

    # C15: lifelines.WeibullFitter.
    def test_weibull(self):
        given = []
        while len(given) < 60:
            lives = self.ages(self.random.randrange(8, 80))
            if len({hours for hours, failed in lives if failed}) >= 4:
                given.append(lives)
        for lives, found in zip(given, self.answers("life.weibull", given)):
            hours, failed = zip(*lives)
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                want = WeibullFitter().fit(hours, failed)
            self.close(found["shape"], want.rho_, 1e-4, lives)
            self.close(found["scale"], want.lambda_, 1e-4, lives)
            self.close(found["log_likelihood"], want.log_likelihood_, 1e-7, lives)
            # The bands rest on the same standard errors, put on the log scale.
            for name, value, error in (("shape", want.rho_, want.summary.loc["rho_", "se(coef)"]),
                                       ("scale", want.lambda_, want.summary.loc["lambda_", "se(coef)"])):
                low, high = found[f"{name}_band"]
                factor = math.exp(1.959964 * error / value)
                self.close(low, value / factor, 1e-3, (name, lives))
                self.close(high, value * factor, 1e-3, (name, lives))
            law = stats.weibull_min(found["shape"], scale=found["scale"])
            self.close(found["mean"], law.mean(), 1e-10, lives)
            self.close(found["standard_deviation"], law.std(), 1e-8, lives)
            self.close(found["ten_percent"], law.ppf(0.1), 1e-10, lives)

    # C15: numeric minimisation of the cost rate with SciPy.
    def test_cheapest_interval(self):
        draw = self.random
        given = [[draw.uniform(1.15, 6), draw.uniform(20, 2_000), draw.uniform(1.5, 60)] for _ in range(150)]
        for (shape, scale, ratio), found in zip(given, self.answers("life.replace_at", given)):
            case = (shape, scale, ratio)
            survive = stats.weibull_min(shape, scale=scale).sf

            def cost(log_hours):
                hours = math.exp(log_hours)
                until = integrate.quad(lambda t: math.exp(-(t / scale) ** shape), 0, hours,
                                       epsabs=0, epsrel=1e-11, limit=200)[0]
                return (survive(hours) + ratio * (1 - survive(hours))) / until

            least = optimize.minimize_scalar(cost, bounds=(math.log(scale * 1e-3), math.log(scale * 30)),
                                             method="bounded", options={"xatol": 1e-9})
            self.close(found["cost_rate"], least.fun, 1e-8, case)
            # The minimum is flat: its place is known to about the root of the error of its height.
            self.close(math.log(found["hours"]), least.x, 0, case, 2e-3 if ratio > 3 else 0.1)
            mean = stats.weibull_min(shape, scale=scale).mean()
            self.close(found["cost_rate_run_to_failure"], ratio / mean, 1e-10, case)
        none = [[draw.uniform(0.3, 1.0), 100.0, 5.0] for _ in range(20)] + [[2.0, 100.0, 1.0]]
        self.assertEqual(self.answers("life.replace_at", none), [None] * len(none))

    # C15: chi-square quantiles of SciPy.
    def test_mean_life(self):
        given = [[n, self.random.uniform(1, 1e5)] for n in range(120)]
        for (failures, hours), found in zip(given, self.answers("life.mean", given)):
            if failures == 0:
                self.close(found["low"], hours / -math.log(0.05), 1e-12, hours)
                self.assertIsNone(found["high"])
                continue
            low = 2 * hours / stats.chi2.ppf(0.975, 2 * failures + 2)
            high = 2 * hours / stats.chi2.ppf(0.025, 2 * failures)
            self.close(found["low"], low, 1e-9, (failures, hours))
            self.close(found["high"], high, 1e-9, (failures, hours))

    # C19: the Poisson law of SciPy.
    def test_spares(self):
        given = [[self.random.uniform(0, 60), self.random.uniform(0.5, 0.999)] for _ in range(500)]
        for (demand, service), found in zip(given, self.answers("stock.spares", given)):
            want = stats.poisson.ppf(service, demand)
            self.assertEqual(found["pieces"], want, (demand, service))
            self.close(found["service"], stats.poisson.cdf(want, demand), 1e-9, (demand, service))

    # C22: NumPy.
    def test_limits_of_single_values(self):
        given = [[[self.random.uniform(0, 10) for _ in range(self.random.randrange(2, 40))],
                  self.random.choice([None, 0.0])] for _ in range(200)]
        for (values, floor), found in zip(given, self.answers("chart.limits", given)):
            mean, spread = np.mean(values), np.mean(np.abs(np.diff(values)))
            low = mean - 2.66 * spread
            self.close(found["low"], low if floor is None else max(low, floor), 1e-9, values, 1e-9)
            self.close(found["high"], mean + 2.66 * spread, 1e-9, values)

    # C11: the formulas of the memo in binary floats.
    def test_dust(self):
        draw, given = self.random, []
        for _ in range(300):
            layers = [{"depth": {"value": str(draw.randrange(0, 6_000)), "unit": "um"},
                       "area": {"value": str(draw.randrange(0, 1_200) / 10), "unit": "m2"}}
                      for _ in range(draw.randrange(6))]
            given.append({
                "room": "R-12", "layers": layers,
                "footprint": {"value": str(draw.randrange(50, 6_000)), "unit": "m2"},
                "height": {"value": str(draw.choice([2.5, 3, 8])), "unit": "m"},
                "bulk_density": {"value": str(draw.randrange(100, 5_000)), "unit": "kg/m3"}})
        for case, found in zip(given, self.answers("dust.assess", given)):
            density, area, height = (float(case[m]["value"]) for m in ("bulk_density", "footprint", "height"))
            pounds = density / 16.018463
            depth = 25.4 / 32 * (75 / pounds if pounds < 75 else 1)
            layers = [(float(l["depth"]["value"]) / 1000, float(l["area"]["value"])) for l in case["layers"]]
            over = [a for d, a in layers if d > depth]
            volumes = [d / 1000 * a for d, a in layers]
            limit = depth / 1000 * 0.05 * area
            hazard = (sum(over) > 0.05 * area or any(a > 92.90304 for a in over)
                      or sum(volumes) > limit or any(v > depth / 1000 * 92.90304 for v in volumes))
            self.close(found["criterion_mm"], depth, 1e-6, case, 1e-6)
            self.close(found["volume_limit_m3"], limit, 1e-6, case, 1e-6)
            self.close(found["mass_limit_kg"], limit * density, 1e-6, case, 1e-6)
            self.close(found["cloud_g_m3"], sum(volumes) * density * 1000 / (area * height), 1e-6, case, 1e-6)
            self.assertEqual(found["over"], hazard, case)

    # C12: NumPy.
    def test_exposure(self):
        draw, given = self.random, []
        for _ in range(200):
            samples = [{"concentration": {"value": f"{draw.uniform(0, 5):.3f}", "unit": "mg/m3"},
                        "duration": {"value": str(draw.randrange(1, 240)), "unit": "min"}, "assumed": False}
                       for _ in range(draw.randrange(1, 8))]
            given.append({"room": "R-12", "fraction": "respirable", "samples": samples,
                          "density": {"value": f"{draw.uniform(0.9, 8):.2f}", "unit": "g/cm3"}})
        for case, found in zip(given, self.answers("exposure.average", given)):
            concentrations = np.array([float(s["concentration"]["value"]) for s in case["samples"]])
            hours = np.array([float(s["duration"]["value"]) for s in case["samples"]]) / 60
            average = float(concentrations @ hours) / 8
            self.close(found["average_mg_m3"], average, 0, case, 5.1e-7)
            # 5 mg/m3, and 0.5 mg/m3 for each g/cm3 of the material.
            for limit, against in zip((5, 0.5 * float(case["density"]["value"])), found["against"]):
                self.close(against["limit_mg_m3"], limit, 1e-12, case)
                self.close(against["percent"], 100 * average / limit, 0, case, 5.1e-3)

    # C16: the table of OIML R 76-1 in whole intervals.
    def test_error_of_a_scale(self):
        given, expected = [], []
        for _ in range(300):
            # The load in hundredths of an interval, with the ends of the steps among them.
            load = self.random.choice([50_000, 50_001, 200_000, 200_001, self.random.randrange(1, 1_000_000)])
            interval = Decimal(self.random.choice([1, 2, 5])) / self.random.choice([10, 100, 1000])
            given.append([str(interval * load / 100), str(interval)])
            intervals = Decimal("0.5") if load <= 50_000 else 1 if load <= 200_000 else Decimal("1.5")
            expected.append(2 * intervals * interval)
        for case, found, want in zip(given, self.answers("scale.largest_error", given), expected):
            self.assertEqual(Decimal(found), want, case)


if __name__ == "__main__":
    unittest.main()
