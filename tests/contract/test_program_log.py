"""What the program log tells of the program as shipped: who read personal and waste records, which
sign-ins and requests were refused; and what it never tells: tokens, names, words.
"""

import json
import time
import urllib.error
import urllib.request

from service import WithService

NAME = "Orsel Vandrim"


class ProgramLog(WithService):
    def ask(self, token, method, path, body=None):
        request = urllib.request.Request(
            self.base + path, method=method, data=body and json.dumps(body).encode(),
            headers={"authorization": f"Bearer {token}", "content-type": "application/json"})
        try:
            with urllib.request.urlopen(request, timeout=60) as answer:
                return answer.status, json.load(answer)
        except urllib.error.HTTPError as error:
            with error:
                return error.code, json.load(error)

    def wait_for(self, *words):
        end = time.monotonic() + 60
        while time.monotonic() < end:
            if any(all(word in line for word in words) for line in list(self.said)):
                return
            time.sleep(0.05)
        self.fail(f"no line with {words} in\n{''.join(self.said)}")

    def test_who_read_what_is_told_and_secrets_are_not(self):
        lead, admin = self.token("op_lead", "lead"), self.token("op_adm", "admin")
        status, kept = self.ask(lead, "POST", "/v1/texts", {"text": f"told by {NAME}"})
        self.assertEqual(status, 201)
        put = self.ask(admin, "PUT", "/v1/people/op_tech/identity", {"name": NAME})
        self.assertEqual(put[0], 200, put)
        for path, *words in [
                (f"/v1/texts/{kept['digest']}", "op_lead", "a text was opened"),
                ("/v1/people/op_tech/identity", "op_lead", "an identity was read"),
                ("/v1/people", "op_lead", "the list of people was read"),
                ("/v1/containers", "op_lead", "listContainers", "exposure records were read"),
                ("/v1/exposures", "op_lead", "listExposures", "exposure records were read"),
                ("/v1/shipments", "op_lead", "listShipments", "exposure records were read")]:
            self.assertEqual(self.ask(lead, "GET", path)[0], 200, path)
            self.wait_for(*words)
        self.assertEqual(self.ask("no.good.token", "GET", "/v1/containers")[0], 401)
        self.wait_for("token not accepted", "listContainers")
        # Control characters of a client stay on their line (ASVS 16.4.1).
        self.ask(lead, "GET", "/v1/containers/%0aINFO%20forged")
        log = "".join(self.said)
        for secret in [NAME, lead, admin, "no.good.token"]:
            self.assertNotIn(secret, log)
        self.assertFalse([line for line in self.said if line.startswith("INFO forged")])


if __name__ == "__main__":
    import unittest
    unittest.main()
