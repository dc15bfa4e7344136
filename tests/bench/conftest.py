import sys
from pathlib import Path

# the bench without noise stands with the rig's tests, its scripted robot with the plant's
for folder in ("rig", "plant", "links"):
    sys.path.insert(0, str(Path(__file__).parents[1] / folder))
