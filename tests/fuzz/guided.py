"""One target under the coverage-guided engine; `run.sh` calls it, once for each target.

`python tests/fuzz/guided.py TARGET [ENGINE OPTIONS] [FOLDERS]`. It needs the package atheris, which
nothing else here does.
"""

from __future__ import annotations

import sys
from pathlib import Path

import atheris

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]

with atheris.instrument_imports(include=["metercap"]):
    from fuzz.targets import TARGETS


def main() -> None:
    """Run until the engine's own limits, or until a finding ends it."""
    target = TARGETS[sys.argv[1]]
    atheris.Setup([sys.argv[0], *sys.argv[2:]], target)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
