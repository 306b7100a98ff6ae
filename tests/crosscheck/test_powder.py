"""Refresh, ageing, balances, traces, impact and sampling against uncertainties, NetworkX and SciPy
(computations.md C4, C5, C6, C8, C10, C23)."""
import hashlib
import unittest
from decimal import Decimal

import networkx as nx
from scipy import stats
from uncertainties import ufloat

from figures import CrossCheck

# Shares are whole units of 2**-63 there and binary floats here, over at most a few dozen mixings.
SHARE = 1e-9


class Powder(CrossCheck):
    # C4: a blend of components that are fresh in part; first-order propagation by uncertainties.
    def test_refresh_ratio(self):
        given = []
        for _ in range(400):
            given.append([{"mass": str(round(self.random.uniform(0.2, 90), 3)),
                           "fresh": str(round(self.random.choice([0, 1, self.random.random()]), 4)),
                           "u": str(round(self.random.uniform(0.001, 0.1), 4))}
                          for _ in range(self.random.randrange(1, 7))])
        for case, found in zip(given, self.answers("powder.refresh", given)):
            masses = [ufloat(float(p["mass"]), float(p["u"])) for p in case]
            fresh = sum(float(p["fresh"]) * m for p, m in zip(case, masses))
            ratio = fresh / sum(masses)
            self.close(found["ratio"], ratio.nominal_value, 1e-9, case, absolute=1e-12)
            self.close(found["u"], ratio.std_dev, 1e-9, case, absolute=1e-12)

    # C5: the closed form equals the recurrence, cycle by cycle.
    def test_mean_builds_of_repeated_blending(self):
        given = []
        for _ in range(300):
            given.append([str(round(self.random.uniform(0.01, 1), 4)), self.random.randrange(0, 80)])
        for (ratio, cycles), found in zip(given, self.answers("powder.mean_builds", given)):
            age = 0.0
            for _ in range(cycles):
                age = (1 - float(ratio)) * (age + 1)
            self.close(found, age, 1e-9, (ratio, cycles), absolute=1e-12)

    # C6: unaccounted mass between two counts, weighed on one class III scale. Uncertainties adds
    # the weighings up; the limits of error are OIML R 76-1, Table 6, twice in service.
    def test_balance_between_two_counts(self):
        given = []
        for _ in range(150):
            interval = self.random.choice(["0.005", "0.02", "0.05", "0.1"])
            gram = lambda low, high: str(round(self.random.uniform(low, high), 3))
            moves, held = [], Decimal(first := gram(20, 120))
            for _ in range(self.random.randrange(1, 12)):
                comes_in = held < 10 or self.random.random() < 0.5
                mass = gram(0.5, 90 if comes_in else float(held) * 0.9)
                held += Decimal(mass) if comes_in else -Decimal(mass)
                moves.append([comes_in, mass])
            last = str(held + Decimal(str(round(self.random.gauss(0, 0.15), 3))))
            given.append({"interval": interval, "first": first, "moves": moves, "last": last})
        for case, found in zip(given, self.answers("powder.balance", given)):
            e = float(case["interval"])

            def weighed(mass):
                load = abs(Decimal(mass)) / Decimal(case["interval"])
                limit = 2 * e * (0.5 if load <= 500 else 1 if load <= 2000 else 1.5)
                return ufloat(float(mass), limit / 3 ** 0.5)

            d = weighed(case["first"]) - weighed(case["last"])
            for comes_in, mass in case["moves"]:
                d += weighed(mass) if comes_in else -weighed(mass)
            self.close(found["unaccounted"], d.nominal_value, 1e-9, case, absolute=1e-9)
            self.close(found["expanded"], 2 * d.std_dev, 1e-8, case, absolute=1e-9)
            error = abs(d.nominal_value) / (2 * d.std_dev)
            self.close(found["normalised"] or 0, error, 1e-6, case, absolute=1e-6)
            if abs(error - 1) > 1e-6:
                self.assertEqual(found["closed"], error <= 1, case)

    def history(self, moves, sieve):
        """Moves between a few places, so that powders meet, come back and overdraw."""
        lots = ["A", "B", "C"]
        places = [f"lot_container/{lot}" for lot in lots] + [f"bin/{n}" for n in range(5)]
        drawn = []
        for _ in range(moves):
            source, target = self.random.sample(places, 2)
            kg = str(round(self.random.uniform(0.5, 30), 2))
            drawn.append([source, target, kg, sieve and self.random.random() < 0.4])
        return {"lots": lots, "kg_each": "60", "moves": drawn}

    def test_traces_back_and_forward(self):
        given = [self.history(self.random.randrange(1, 60), False) for _ in range(150)]
        for case, found in zip(given, self.answers("powder.trace", given)):
            model = Contents(case)
            self.assertEqual(set(found["back"]), set(model.now), case)
            for place, answer in found["back"].items():
                content = model.now[place][0]
                for lot, share in model.shares(content).items():
                    got = answer["shares"].get(lot, 0)
                    self.close(got, share, SHARE, (place, lot, case), absolute=SHARE)
                self.assertEqual(answer["moves"], model.moves_behind(content), (place, case))
            for lot, places in found["forward"].items():
                source = ("lot", lot)
                below = nx.descendants(model.graph, source)
                reached = {place for place, (content, _) in model.now.items() if content in below}
                self.assertEqual(set(places), reached, (lot, case))
                for place, share in places.items():
                    expected = model.share_of({source}, model.now[place][0])
                    self.close(share, expected, SHARE, (lot, place, case), absolute=SHARE)

    def test_impact_of_a_torn_sieve(self):
        given = []
        for _ in range(150):
            case = self.history(self.random.randrange(6, 60), True)
            count = len(case["moves"])
            case["whole_after"] = self.random.randrange(0, count - 2)
            case["torn_after"] = self.random.randrange(case["whole_after"] + 1, count + 1)
            given.append(case)
        for case, found in zip(given, self.answers("powder.impact", given)):
            model = Contents(case)
            window = range(case["whole_after"], case["torn_after"])
            uses = [n for n in window if case["moves"][n][3]]
            self.assertEqual(found["uses"], uses, case)
            seeds = {("portion", n) for n in uses}
            below = set().union(*(nx.descendants(model.graph, s) for s in seeds)) if seeds else set()
            reached = {place for place, (content, _) in model.now.items() if content in below}
            self.assertEqual(set(found["places"]), reached, case)
            for place, share in found["places"].items():
                expected = model.share_of(seeds, model.now[place][0])
                self.close(share, expected, SHARE, (place, case), absolute=SHARE)

    # C10: the hypergeometric law of SciPy; one item fewer would miss more often than allowed.
    def test_sample_sizes(self):
        given = []
        for _ in range(300):
            items = self.random.randrange(1, 2000)
            bad = self.random.randrange(1, max(2, items // 10 + 1))
            given.append([items, bad, self.random.choice(["0.01", "0.05", "0.1", "0.2"])])
        for (items, bad, risk), found in zip(given, self.answers("powder.sample_size", given)):
            case, size = (items, bad, risk), found["size"]
            missed = stats.hypergeom.pmf(0, items, bad, size)
            self.close(found["missed"], missed, 1e-8, case, absolute=1e-12)
            self.assertLessEqual(missed, float(risk) * (1 + 1e-9), case)
            if size > 1:
                self.assertGreater(stats.hypergeom.pmf(0, items, bad, size - 1), float(risk) * (1 - 1e-9), case)

    # Anybody repeats a draw with a seed, the items and SHA-256.
    def test_draws_can_be_repeated(self):
        given = []
        for _ in range(100):
            items = [f"D-{self.random.randrange(10_000)}" for _ in range(self.random.randrange(1, 80))]
            given.append([f"root{self.random.random()}", items, self.random.randrange(1, 50)])
        for (seed, items, size), found in zip(given, self.answers("powder.draw", given)):
            digest = lambda item: hashlib.sha256(f"{seed}\n{item}".encode()).digest()
            self.assertEqual(found, sorted(sorted(set(items), key=digest)[:size]), (seed, size))


class Contents:
    """What is where after a history, in binary floats: a graph of contents. A content has edges
    from what was there before and from the portion that came in, with the share of each; a portion
    has one edge from the content or lot it was taken from."""

    def __init__(self, case):
        self.graph = nx.DiGraph()
        self.now = {}
        self.moved = {}
        for lot in case["lots"]:
            self.put(("portion", "received", lot), ("lot", lot), f"lot_container/{lot}", Decimal(case["kg_each"]))
        for number, (source, target, kg, _) in enumerate(case["moves"]):
            kg = Decimal(kg)
            held = self.now.get(source, (None, Decimal(0)))[1]
            if kg > held:
                # More than was there: the rest is powder that nobody told of.
                self.put(("portion", number, "untold"), ("lot", "UNKNOWN"), source, kg - held, number)
            content, held = self.now[source]
            if kg == held:
                del self.now[source]
            else:
                self.now[source] = (content, held - kg)
            self.put(("portion", number), content, target, kg, number)

    def put(self, portion, origin, place, kg, number=None):
        before, held = self.now.get(place, (None, Decimal(0)))
        content = ("content", len(self.graph))
        self.moved[content] = number
        self.graph.add_edge(origin, portion, share=1.0)
        if before is not None:
            self.graph.add_edge(before, content, share=float(held / (held + kg)))
        self.graph.add_edge(portion, content, share=float(kg / (held + kg)))
        self.now[place] = (content, held + kg)

    def share_of(self, seeds, content):
        """f(seed) = 1, f(unaffected source) = 0, f(blend) = sum of w_i f(i)."""
        share = {}
        for node in nx.topological_sort(self.graph.subgraph(nx.ancestors(self.graph, content) | {content})):
            into = self.graph.in_edges(node, data="share")
            share[node] = 1.0 if node in seeds else sum(w * share.get(n, 0.0) for n, _, w in into)
        return share[content]

    def shares(self, content):
        lots = {n for n in nx.ancestors(self.graph, content) if n[0] == "lot"}
        return {lot[1]: self.share_of({lot}, content) for lot in lots}

    def moves_behind(self, content):
        behind = {self.moved.get(n) for n in nx.ancestors(self.graph, content) | {content}}
        return sorted(n for n in behind if n is not None)


if __name__ == "__main__":
    unittest.main()
