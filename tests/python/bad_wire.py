"""A bad wire between this network namespace and another: it loses packets, delays each by another time,
so that they overtake one another, and can be cut.

    bad_wire.py NAMESPACE SEED      (as root; the namespace exists)

This side has the address 10.213.7.1, the other 10.213.7.2. Prints `ready`; then reads lines: `cut`,
`mend`, `end`. At the end it prints what it did as JSON. Two TUN devices and no kernel module for it:
`tc netem` is not in every kernel.
"""

import fcntl
import heapq
import json
import os
import random
import select
import struct
import subprocess
import sys
import time

TUNSETIFF, IFF_TUN, IFF_NO_PI = 0x400454CA, 0x0001, 0x1000
LOST, DELAY_S = 0.03, (0.001, 0.025)


def tun(name):
    device = os.open("/dev/net/tun", os.O_RDWR | os.O_NONBLOCK)
    fcntl.ioctl(device, TUNSETIFF, struct.pack("16sH14x", name.encode(), IFF_TUN | IFF_NO_PI))
    return device


def ip(*words):
    subprocess.run(["ip", *words], check=True)


def main():
    namespace, seed = sys.argv[1:3]
    chance = random.Random(int(seed))
    near_name, far_name = f"prln{os.getpid()}", f"prlf{os.getpid()}"
    near, far = tun(near_name), tun(far_name)
    ip("link", "set", far_name, "netns", namespace)
    ip("addr", "add", "10.213.7.1/30", "dev", near_name)
    ip("link", "set", near_name, "up")
    inside = ["netns", "exec", namespace, "ip"]
    ip(*inside, "addr", "add", "10.213.7.2/30", "dev", far_name)
    ip(*inside, "link", "set", far_name, "up")
    ip(*inside, "link", "set", "lo", "up")
    print("ready", flush=True)

    under_way, number, newest, is_cut = [], 0, {near: 0, far: 0}, False
    did = {"carried": 0, "lost": 0, "overtaken": 0, "cuts": 0}
    while True:
        wait = max(0, under_way[0][0] - time.monotonic()) if under_way else None
        ready, _, _ = select.select([near, far, sys.stdin], [], [], wait)
        if sys.stdin in ready:
            word = sys.stdin.readline().strip()
            if word in ("end", ""):
                break
            is_cut = word == "cut"
            did["cuts"] += is_cut
            print(word, flush=True)
        for source, target in ((near, far), (far, near)):
            if source in ready:
                packet = os.read(source, 65536)
                if is_cut or chance.random() < LOST:
                    did["lost"] += 1
                    continue
                number += 1
                due = time.monotonic() + chance.uniform(*DELAY_S)
                heapq.heappush(under_way, (due, number, target, packet))
        while under_way and under_way[0][0] <= time.monotonic():
            _, sent, target, packet = heapq.heappop(under_way)
            did["overtaken"] += sent < newest[target]
            newest[target] = max(newest[target], sent)
            did["carried"] += 1
            try:
                os.write(target, packet)
            except OSError:
                pass  # the other side is down; a wire does not care
    print(json.dumps(did), flush=True)


main()
