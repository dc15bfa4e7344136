"""What a start costs, as the guide says it."""

import os
import re
import time

import pytest

from emulator.track.comparison.short_predictions import APART, model_of, predictions
from tests.guide.markdown import ROOT
from tests.support.planted_record import lap_start

GUIDE = ROOT / "emulator" / "guide" / "track-comparison.md"


@pytest.mark.timing  # processor time of one machine; other machines by their speed
def test_a_start_takes_what_the_guide_says():
    assert os.environ["OPENBLAS_NUM_THREADS"] == "1"
    said = re.search(r"A start takes ([\d.]+) s of one processor", GUIDE.read_text(encoding="utf-8"))
    assert said is not None
    session, run = lap_start()
    model = model_of(session)
    predictions(run, model, APART / 1e3)  # compiled, steady turns found
    begun = time.process_time()
    found = predictions(run, model, APART / 1e3)
    taken = (time.process_time() - begun) / len(found.ones)
    assert 0.5 < taken / float(said[1]) < 2.0
