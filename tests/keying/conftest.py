from __future__ import annotations

import sys
from pathlib import Path

# The oracle stands beside the tests, which are imported by path.
sys.path.insert(0, str(Path(__file__).parent))
