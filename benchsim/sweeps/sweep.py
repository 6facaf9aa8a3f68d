"""Work through many pieces of work, on processes of this computer or on a Dask cluster.

A piece's result depends on its card and seed alone, so it does not matter who plays it, in which order, or how
often the sweep was killed in between.
"""

import re
from collections.abc import Callable, Iterator
from functools import partial
from itertools import islice

from benchsim.checks.workers import spread
from benchsim.errors import UsageError
from benchsim.settings import Settings
from benchsim.sweeps.store import Store
from benchsim.sweeps.work import Job, Result, work

IN_FLIGHT = 64  # pieces that a cluster holds for each of its threads at most
ADDRESS = re.compile(r"(?:[a-z]+://)?[^\s/:]+:\d+")
PATIENCE = 10  # seconds for a cluster to answer


def sweep(settings: Settings, wanted: list[Job], store: Store, workers: int = 0, cluster: str | None = None,
          told: Callable[[], None] = lambda: None) -> int:  # fmt: skip
    """Do what of `wanted` the store does not hold yet; `told()` after each. Returns how many were done."""
    done = store.done()
    todo = [job for job in wanted if job not in done]
    play = partial(work, settings)
    results = _on_cluster(play, todo, cluster) if cluster else spread(play, todo, workers)
    for result in results:
        store.add([result])
        told()
    return len(todo)


def _on_cluster(play: Callable[[Job], Result], todo: list[Job], address: str) -> Iterator[Result]:
    """As they come back. A worker that dies has its work done again by another."""
    try:
        from distributed import Client, as_completed
    except ImportError:
        raise UsageError("--cluster: expected the extra: pip install 'benchsim[cluster]'") from None
    if not ADDRESS.fullmatch(address):  # Dask would look for it for half a minute
        raise UsageError(f"--cluster {address}: expected a Dask scheduler's address, such as tcp://host:8786")
    try:
        client = Client(address, timeout=PATIENCE, set_as_default=False)
    except (OSError, ValueError, TimeoutError) as error:
        raise UsageError(f"--cluster {address}: expected a Dask scheduler there: {error}") from None
    with client:
        threads = sum(client.nthreads().values())
        if not threads:
            raise UsageError(f"--cluster {address}: expected at least one worker (dask worker {address})")
        left = iter(todo)
        first = list(islice(left, threads * IN_FLIGHT))
        running = as_completed([_submitted(client, play, job) for job in first], loop=client.loop, with_results=True)
        for _, result in running:
            yield result
            following = next(left, None)
            if following is not None:
                running.add(_submitted(client, play, following))


def _submitted(client, play, job: Job):
    return client.submit(play, job, pure=False, key=f"{job.cards}/{job.seed}")
