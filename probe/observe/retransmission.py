"""When a request is sent again: the schedule of RFC 5080, section 2.2.1. Pure."""

from collections.abc import Callable, Iterator


def waits(
    first: float,
    longest: float,
    tries: int,
    total: float,
    jitter: Callable[[], float],
) -> Iterator[float]:
    """Return how long to wait after each transmission, in seconds; after the last one give up.

    In the RFC's words: `first` is IRT, `longest` MRT, `tries` MRC, `total` MRD, and `jitter`
    gives RAND, "a random number chosen with a uniform distribution between -0.1 and +0.1". It
    keeps clients that were started together from asking together.
    """
    elapsed = 0.0
    wait = first + jitter() * first
    for _ in range(tries):
        if elapsed >= total:
            return
        wait = min(wait, total - elapsed)
        yield wait
        elapsed += wait
        wait = 2 * wait + jitter() * wait
        if wait > longest:
            wait = longest + jitter() * longest
