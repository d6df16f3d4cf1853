"""The simulated bench: meter, scope and generator that speak SCPI on loopback sockets, and a streaming meter on a
pseudo-terminal, in front of any circuit that answers the questions of `plant.Plant`.

Written as the instrument's side of the conversation, apart from the drivers, so that neither can cover up for the
other; foreign clients check it in the tests.
"""
