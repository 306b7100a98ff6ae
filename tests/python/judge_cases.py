"""Many verdicts from one process: each line of input is a JSON object of file names and hex contents that replace those of the
first line; for each line verify_log's verdict is printed: exit code, space, text."""
import json, sys
import verify_log

base = {}
for line in sys.stdin:
    files = {name: bytes.fromhex(content) for name, content in json.loads(line).items()}
    base = base or files
    print(*verify_log.verdict({**base, **files}))
