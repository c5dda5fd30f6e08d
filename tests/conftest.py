"""Keep what the library caches out of the tester's own cache folder."""

from __future__ import annotations

import os
import tempfile

os.environ["XDG_CACHE_HOME"] = os.path.join(
    tempfile.gettempdir(), f"groundswap-tests-{getattr(os, 'getuid', lambda: 0)()}"
)
