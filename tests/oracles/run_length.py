"""How long a simulation must run for a wanted precision, by the asymptotic variance of queues.

That is the limit of n times the variance of the mean of n values (or of t times that of an average over t seconds).
"""

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtri


def mm1_number_asymptotic_variance(arrival_rate: ArrayLike, service_rate: float) -> np.ndarray:
    """Of the number present at M/M/1, seconds; W. Whitt, Planning queueing simulations, Management Science 35(11),
    1341-1366, 1989."""
    rho = np.asarray(arrival_rate) / service_rate
    return 2 * rho * (1 + rho) / (service_rate * (1 - rho) ** 4)


def mm1_wait_asymptotic_variance(arrival_rate: ArrayLike, service_rate: float) -> np.ndarray:
    """Of successive waits at M/M/1, squared seconds; D. J. Daley, The serial correlation coefficients of waiting times
    in a stationary single server queue, J. Australian Mathematical Society 8, 1968 (from memory)."""
    rho = np.asarray(arrival_rate) / service_rate
    return rho * (2 + 5 * rho - 4 * rho**2 + rho**3) / (service_rate**2 * (1 - rho) ** 4)


def run_length_needed(
    mean: ArrayLike, asymptotic_variance: ArrayLike, precision: ArrayLike, confidence: float = 0.95
) -> np.ndarray:
    """Values (or seconds) until the mean is known to precision * mean: (z sigma / (precision mean))^2; Whitt 1989."""
    width = np.asarray(precision) * np.asarray(mean)
    return ndtri((1 + confidence) / 2) ** 2 * np.asarray(asymptotic_variance) / width**2
