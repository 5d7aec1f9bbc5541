"""What errors that resemble their neighbours do to an average."""


def variance_factor(rho: float) -> float:
    """Give how much larger the variance of a mean is than that of as many independent errors.

    Parameters
    ----------
    rho : float
        Correlation from one error to the next, 0 to less than 1 (first-order autoregression).

    Returns
    -------
    float
        ``(1 + rho)/(1 - rho)``, for many errors.
    """
    return (1 + rho) / (1 - rho)
