"""Priorities that interrupt, and what every discipline conserves: M/G/1, the first class served first."""

import numpy as np


def preemptive_response_means(
    rates: np.ndarray, service_s: np.ndarray, scv: np.ndarray | float = 1.0
) -> np.ndarray:
    """R_k = S_k / (1 - sigma_{k-1}) + sum_{i<=k} lambda_i E S_i^2 / (2 (1 - sigma_{k-1}) (1 - sigma_k)).

    A higher class interrupts, and work is resumed. L. Kleinrock, Queueing Systems, volume 2, 1976, section 3.5 (from
    memory).
    """
    rates, mean = np.asarray(rates, dtype=float), np.broadcast_to(service_s, np.shape(rates))
    through = np.cumsum(rates * mean)
    before = 1 - through + rates * mean
    return mean / before + np.cumsum(rates * mean**2 * (1 + np.asarray(scv))) / 2 / (before * (1 - through))


def conserved_wait(rates: np.ndarray, service_s: np.ndarray, scv: np.ndarray | float = 1.0) -> float:
    """The sum over the classes of utilisation times mean wait, in seconds: rho W0 / (1 - rho) for every discipline.

    That works whenever there is work, does not interrupt and does not know the services. L. Kleinrock, A conservation
    law for a wide class of queueing disciplines, Naval Research Logistics Quarterly 12, 1965 (from memory).
    """
    load = np.sum(rates * np.asarray(service_s))
    residual = np.sum(rates * np.asarray(service_s) ** 2 * (1 + np.asarray(scv))) / 2
    return float(load * residual / (1 - load))
