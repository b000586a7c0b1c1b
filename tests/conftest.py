"""What holds for all tests: one thread for linear algebra.

numpy's OpenBLAS starts a thread for each core; they spin while waiting for each other.
Beside other workers on the same cores a fit took nine times the processor time.
"""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
