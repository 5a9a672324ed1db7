"""Which relation holds in every system of clients that wait for an answer? Little's law, around the whole cycle.

Scalars or arrays, which broadcast. It needs no assumption but that what arrives also leaves (flow balance).
Raises OutsideValidityError (a ValueError) for negative values and for a throughput of 0.
Source: J. D. C. Little, A proof for the queuing formula L = lambda W, Operations Research 9, 1961; P. J.
Denning and J. P. Buzen, The operational analysis of queueing network models, ACM Computing Surveys 10, 1978
(from memory).
"""

from numpy.typing import ArrayLike

from tailrace.theory.domain import Value, non_negative, plain, positive


def interactive_response_s(clients: ArrayLike, throughput: ArrayLike, think_s: ArrayLike = 0.0) -> Value:
    """Interactive response time law: mean response of clients that think between requests, N / X - Z."""
    cycle = positive("clients", clients) / positive("throughput", throughput)
    return plain(non_negative("clients / throughput - think_s", cycle - non_negative("think_s", think_s)))
