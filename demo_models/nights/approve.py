"""Writes the approval records of the night's jobs again, as the first shift would: after a change of a setup.

python demo_models/nights/approve.py
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

HERE = Path(__file__).parent
JOBS = {
    "wheel": "wheel.toml",
    "nest": "../pallet_nest.toml",
    "die": "die.toml",
    "front_plate": "front_plate.toml",
    "middle_plate": "middle_plate.toml",
    "back_plate": "back_plate.toml",
}

if __name__ == "__main__":
    for name, setup in JOBS.items():
        record = f"{name}_approval.json"
        words = ["approve", setup, "-o", record, "--by", "First shift"]
        subprocess.run([sys.executable, "-m", "clearance", *words], cwd=HERE, check=True)
