"""Where the fuzzer's parts are: its own, the corpus's writers and the crash suite's forks."""

import sys
from pathlib import Path

BESIDE = [str(Path(__file__).parents[1] / name) for name in ("fuzz", "corpus", "crash", "unit")]
sys.path[:0] = [path for path in BESIDE if path not in sys.path]
