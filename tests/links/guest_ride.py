"""One bench ride in a process of its own, for a test: ``guest_ride.py RIG SCENARIO FOLDER``.

The last line on standard output is how it ended, as JSON; everything else is in the run folder.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

from emulator.rig.session import load_session
from emulator.rig.supervisor import run_bench

rig, scenario, folder = (Path(argument) for argument in sys.argv[1:])
result = run_bench(load_session(rig, scenario), (rig, scenario), folder)
print(json.dumps({"outcome": result.outcome, "log": result.log_tail}))
