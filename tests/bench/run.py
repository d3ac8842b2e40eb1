"""Print every figure of the benchmarks; run it as `python tests/bench/run.py [NAME ...]`.

Each module here has `rows()`: pairs of a label and what was measured. Speeds are given beside
another way of doing the same work, timed in the same run, since machines differ and drift.
"""

from __future__ import annotations

import importlib
import pathlib
import sys

_HERE = pathlib.Path(__file__).parent


def main() -> None:
    """Run the named benchmarks, or all."""
    sys.path.insert(0, str(_HERE))
    known = sorted(path.stem for path in _HERE.glob("*.py") if path.stem != "run")
    for name in sys.argv[1:] or known:
        if name not in known:
            sys.exit(f"bench: found {name!r}, expected one of {', '.join(known)}")
        print(f"\n{name}")
        for label, figure in importlib.import_module(name).rows():
            print(f"  {label:<52} {figure}")


if __name__ == "__main__":
    main()
