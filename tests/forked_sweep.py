"""A sweep of the service in a process whose children are forks of it, which saves their starts."""

import os
import subprocess
import sys
from pathlib import Path

THROUGH = Path(__file__).with_name("fuzz") / "through.py"
_BESIDE = [Path(__file__).with_name(name) for name in ("fuzz", "corpus", "crash", "unit")]
ENVIRONMENT = {
    **os.environ,
    "PYTHONPATH": os.pathsep.join(map(str, _BESIDE)),
    "OMP_NUM_THREADS": "1",
    "OPENBLAS_NUM_THREADS": "1",
    "VIPS_CONCURRENCY": "1",
}


def forked_sweep(root: Path) -> tuple[int, str, str]:
    """Exit code as the command has it, what it wrote, what it complained of."""
    done = subprocess.run(
        [sys.executable, str(THROUGH), str(root), "sweep"],
        capture_output=True, text=True, timeout=900, check=False, env=ENVIRONMENT,
    )  # fmt: skip
    return done.returncode, done.stdout, done.stderr
