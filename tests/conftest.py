"""
Settings for all tests.

Two workers share two cores, and the matrices here are small: a BLAS that starts a thread on each core for
every one of them only waits for itself. Set before numpy is imported, and inherited by the workers.
"""

import os

for _library in ("OPENBLAS", "OMP", "MKL"):
    os.environ.setdefault(f"{_library}_NUM_THREADS", "1")
