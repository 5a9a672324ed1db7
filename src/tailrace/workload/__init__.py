"""What do the clients ask for, and when? All randomness of a run lives here.

A draw depends on its key (seed, replication, class, purpose) and on the request's position, never on what was drawn
before (`streams`), so two designs at one seed see the same requests. A new draw gets a new ``Purpose``, appended; the
numbers are part of the seed. `arrivals` says when requests come, `requests` what they ask for.

A class that replays a trace draws nothing: `replay` says which row of it the j-th request is. Replication r begins at
van der Corput's r-th point of the trace and goes round.
"""
