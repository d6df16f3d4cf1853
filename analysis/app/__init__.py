"""The top of the program: the ``stagewalk`` command and the live page; the only room that wires both packages."""

import os

# Before numpy is loaded: the matrices of a chassis are so small that threads of the linear algebra library cost
# more than they bring, most of all on a busy machine. What the user has set stays.
for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
