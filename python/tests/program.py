"""The program, where it is installed or ``STOPLINE_PROGRAM`` names it."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import pytest

PROGRAM = os.environ.get("STOPLINE_PROGRAM") or shutil.which("stopline")


def ran(words: str, folder: Path, typed: str = "") -> bytes:
    """What a command prints, run in a folder and told what is typed."""
    if PROGRAM is None:
        pytest.skip("the program is not installed: set STOPLINE_PROGRAM")
    done = subprocess.run([PROGRAM, *words.split()], cwd=folder, check=True, stdout=subprocess.PIPE, input=typed.encode())
    return done.stdout
