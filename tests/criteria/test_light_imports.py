"""Who names criteria pays for no reader of records: `emulator check` starts without it."""

import subprocess
import sys

NOT_NEEDED = ("pyarrow", "scipy.ndimage", "plotly", "emulator.record.reader")


def test_a_scenario_is_read_without_what_only_judging_needs():
    program = f"import emulator.assembly.check, sys; print([m for m in {NOT_NEEDED} if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
