"""Bayledger: the results ledger of a shop that runs chassis dynamometers."""

import os

# The model's matrices are many and small: a second thread makes each of them slower, and eight requests share the cores
# already. Only what is set before numpy is first loaded counts.
for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")
