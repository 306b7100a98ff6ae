"""Cases for the shop floor's own functions, answered by the program that PULVERLOG_FIGURES names
(crates/shopfloor/examples/figures), and the assertions of the cross-checks."""
import json
import os
import random
import subprocess
import unittest

SEED = int(os.environ.get("PULVERLOG_SEED", "20260305"))


class CrossCheck(unittest.TestCase):
    """A test that holds many random cases against another library. Every test draws from its own
    generator, seeded by PULVERLOG_SEED and its name, and counts its cases; the count is printed
    when the file is done."""

    cases = 0

    def setUp(self):
        self.random = random.Random(f"{SEED} {self.id()}")

    @classmethod
    def tearDownClass(cls):
        print(f"{cls.__module__}: {cls.cases} cases held against other libraries, seed {SEED}", flush=True)

    def answers(self, computation, inputs):
        """The program's answers to a list of inputs, in their order."""
        program = os.environ.get("PULVERLOG_FIGURES")
        if not program:
            self.fail("PULVERLOG_FIGURES is not set: "
                      "cargo build -p shopfloor --example figures, then name the program in it")
        lines = [json.dumps({"computation": computation, "inputs": i}) for i in inputs]
        run = subprocess.run([program], input="\n".join(lines) + "\n", text=True,
                             capture_output=True, check=False)
        self.assertEqual(run.returncode, 0, run.stderr)
        answers = [json.loads(line) for line in run.stdout.splitlines()]
        self.assertEqual(len(answers), len(inputs), "one answer a case")
        type(self).cases += len(answers)
        return answers

    def close(self, found, expected, relative, case, absolute=0.0):
        """Asserts that a figure agrees within a relative or an absolute error."""
        allowed = max(relative * abs(expected), absolute)
        if not abs(float(found) - expected) <= allowed:
            self.fail(f"found {found}, expected {expected} +- {allowed}: {case}")
