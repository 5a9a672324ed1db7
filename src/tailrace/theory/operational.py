"""Which relations hold in every system, whatever the distributions? Little's law and others.

Scalars or arrays, which broadcast. They need no assumption but that what arrives also leaves (flow balance).
All functions raise OutsideValidityError (a ValueError) for negative values and for a divisor of 0.
Source: J. D. C. Little, A proof for the queuing formula L = lambda W, Operations Research 9, 1961; P. J.
Denning and J. P. Buzen, The operational analysis of queueing network models, ACM Computing Surveys 10, 1978
(from memory).
"""

from numpy.typing import ArrayLike

from tailrace.theory.domain import Value, non_negative, plain, positive


def number_present(throughput: ArrayLike, response_s: ArrayLike) -> Value:
    """Little's law: mean number present from requests per second and mean seconds of stay."""
    return plain(non_negative("throughput", throughput) * non_negative("response_s", response_s))


def utilisation(throughput: ArrayLike, demand_s: ArrayLike, servers: ArrayLike = 1) -> Value:
    """Utilisation law: busy share of the servers, from requests per second and seconds of service each."""
    busy = non_negative("throughput", throughput) * non_negative("demand_s", demand_s)
    return plain(busy / positive("servers", servers))


def visit_rate(throughput: ArrayLike, visits: ArrayLike) -> Value:
    """Forced flow law: visits per second at a station, from requests per second and visits per request."""
    return plain(non_negative("throughput", throughput) * non_negative("visits", visits))


def demand(visits: ArrayLike, service_s: ArrayLike) -> Value:
    """Seconds of service that a request asks of a station over all its visits."""
    return plain(non_negative("visits", visits) * non_negative("service_s", service_s))


def interactive_response_s(clients: ArrayLike, throughput: ArrayLike, think_s: ArrayLike = 0.0) -> Value:
    """Interactive response time law: mean response of clients that think between requests, N / X - Z."""
    cycle = positive("clients", clients) / positive("throughput", throughput)
    return plain(non_negative("clients / throughput - think_s", cycle - non_negative("think_s", think_s)))


def interactive_throughput(clients: ArrayLike, response_s: ArrayLike, think_s: ArrayLike = 0.0) -> Value:
    """Requests per second of clients that wait response_s for each and think think_s between, N / (R + Z)."""
    cycle = non_negative("response_s", response_s) + non_negative("think_s", think_s)
    return plain(positive("clients", clients) / positive("response_s + think_s", cycle))
