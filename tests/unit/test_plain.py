"""Plain data to values, in several threads at once."""

import subprocess
import sys

FIRST_USES = """
import sys, threading, types
from platemark.model.plain import from_plain

sys.setswitchinterval(1e-6)
TEXT = "from __future__ import annotations\\nimport dataclasses\\n" + "".join(
    f"@dataclasses.dataclass(frozen=True, slots=True)\\nclass A{k}:\\n"
    + "".join(f"    f{i}: tuple[str, ...] | None = None\\n" for i in range(20))
    + f"    inner: A{max(k - 1, 0)} | None = None\\n"
    for k in range(12)
)
for number in range(int(sys.argv[1])):
    made = types.ModuleType(f"made_{number}")
    sys.modules[made.__name__] = made
    exec(TEXT, made.__dict__)
    together = threading.Barrier(4)

    def use(made=made, together=together):
        together.wait()
        for k in range(11, -1, -1):
            kind = getattr(made, f"A{k}")
            assert from_plain(kind, {"f1": ["a"], "inner": {}}).f1 == ("a",)

    threads = [threading.Thread(target=use) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
"""


def test_kinds_may_be_first_used_by_several_threads_at_once() -> None:
    """Without the lock in `plain` the process ends by SIGSEGV within some hundred kinds."""
    done = subprocess.run(
        [sys.executable, "-c", FIRST_USES, "60"],
        capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    assert (done.returncode, done.stderr) == (0, "")
