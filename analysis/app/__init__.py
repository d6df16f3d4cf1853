"""The top of the program: the ``stagewalk`` command and the live page; the only room that wires both packages."""
