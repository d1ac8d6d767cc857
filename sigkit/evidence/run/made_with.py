"""What numbers were computed with."""

from __future__ import annotations


def versions() -> dict[str, str]:
    """Return the versions of what the numbers were computed with."""
    import platform

    import numpy as np
    import scipy

    import sigkit

    return {
        "sigkit": sigkit.__version__,
        "python": platform.python_version(),
        "numpy": np.__version__,
        "scipy": scipy.__version__,
    }
