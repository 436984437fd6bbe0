"""Floods a page from a process of its own until its input ends: `flooding.py PORT ASKERS`.

Then it prints how many answers came, by their status. It yields the processor to everything else,
as it would from another computer.
"""

import http.client
import json
import os
import sys
import threading
import time
from collections import Counter

PATHS = ("/", "/search?q=zebra", "/parcels", "/record", "/metrics", "/now.json")


def ask(port: int, number: int, ends: threading.Event, answers: Counter[str]) -> None:
    """Ask for one view after the other."""
    while not ends.is_set():
        number += 1
        connection = http.client.HTTPConnection("127.0.0.1", port, timeout=30)
        try:
            connection.request("GET", PATHS[number % len(PATHS)])
            answer = connection.getresponse()
            answer.read()
            answers[str(answer.status)] += 1
        except (OSError, http.client.HTTPException):
            answers["turned away"] += 1
            time.sleep(0.01)
        finally:
            connection.close()


def main(port: int, askers: int) -> None:
    """Flood until the input ends."""
    os.nice(19)
    ends, answers = threading.Event(), Counter[str]()
    threads = [
        threading.Thread(target=ask, args=(port, number, ends, answers)) for number in range(askers)
    ]
    for each in threads:
        each.start()
    sys.stdin.read()
    ends.set()
    for each in threads:
        each.join()
    print(json.dumps(answers))


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]))
