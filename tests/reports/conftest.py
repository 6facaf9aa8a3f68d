"""Makes the sample records of this folder importable: tests here are not a package."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
