"""Workers of an existing Dask cluster, for sessions that are too large for one machine.

The cluster is started elsewhere; nothing here starts or stops one. Its workers need railread, and the session
folder under the same path, on a shared disk: recordings are read where they lie, never sent.
"""

from collections.abc import Iterator
from concurrent.futures import Executor
from contextlib import contextmanager

from calibrate.errors import SessionError

_ANSWERS_WITHIN_S = 10


@contextmanager
def cluster_executor(address: str) -> Iterator[Executor]:
    """Give an executor whose workers are those of a cluster.

    Parameters
    ----------
    address : str
        Of the scheduler, for instance ``tcp://10.0.0.5:8786``.

    Yields
    ------
    Executor
        For `measure_session`; the cluster goes on running afterwards.

    Raises
    ------
    SessionError
        If the extra is not installed, nobody answers at the address, or the cluster has no worker.
    """
    try:
        from distributed import Client
    except ImportError:
        raise SessionError(
            '--scheduler needs the extra "cluster": python -m pip install "railread[cluster]"'
        ) from None
    try:
        client = Client(address, timeout=_ANSWERS_WITHIN_S, set_as_default=False)
    except (OSError, ValueError) as error:
        raise SessionError(f"no scheduler answers at {address}: {str(error) or type(error).__name__}") from error
    try:
        if not client.scheduler_info()["workers"]:
            raise SessionError(f"the cluster at {address} has no worker; start one: dask worker {address}")
        # A recording that crashed a worker is not tried on another three times.
        with client.get_executor(pure=False, retries=0) as executor:
            yield executor
    finally:
        client.close()
