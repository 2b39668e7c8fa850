"""A Dask scheduler found, or refused in a sentence: the form of its address, who answers there, and the loss of it.

The engine tries a connection for as long as it takes to get an answer, whoever keeps silent there, and its client that
could not be made complains of itself later. So the address is looked at first, then asked who it is by a clock of ours;
a client is made only where a scheduler has said so. The engine's own log is silenced meanwhile: what it tells is told
here in a line.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import re
import threading
import warnings
from typing import TYPE_CHECKING, Any

from reverdict.errors import BadInput
from reverdict.extras import getting

if TYPE_CHECKING:
    from collections.abc import Iterator

NEED = "need the address of a Dask scheduler, such as tcp://big.example:8786"
CONNECT_S = 10.0
GRACE_S = 1.0
"""What the engine's own clock gets beyond that, to say why."""
TIMED_OUT = (TimeoutError, asyncio.TimeoutError)
"""One and the same from Python 3.11 on."""
CONFIG = {"distributed.comm.timeouts.connect": CONNECT_S, "distributed.admin.large-graph-warning-threshold": "1 GiB"}

PLACE = re.compile(r"(?:\[[^\[\]\s]+\]|[^\[\]:/@\s]+):(\d{1,5})")
WITH_PORT = ("", "tcp", "tls")
"""Protocols whose address is a host and a port; that without a name is tcp."""


def require_address(address: str) -> None:
    """Raise BadInput where the engine is not installed, or an address has no form that a scheduler's can have."""
    if not address.strip():
        raise BadInput("--cluster", f"is empty, as from a variable that is not set; {NEED}, or leave the option out")
    _engine()
    from distributed.comm import registry

    scheme, _, place = address.rpartition("://")
    try:
        registry.get_backend(scheme or "tcp")
    except ValueError:
        spoken = ", ".join(sorted(set(registry.backends) - {"inproc"}))
        raise BadInput(f"--cluster {address}", f"{scheme} is no protocol of Dask's ({spoken}); {NEED}") from None
    if scheme not in WITH_PORT:
        return
    if not (found := PLACE.fullmatch(place)):
        raise BadInput(f"--cluster {address}", f"is not a host and a port; {NEED}")
    if not 0 < int(found[1]) < 1 << 16:
        raise BadInput(f"--cluster {address}", f"there is no port {found[1]}; {NEED}")


@contextlib.contextmanager
def connected(address: str) -> Iterator[Any]:
    """A client of the scheduler there.

    Raises
    ------
    BadInput
        Nobody answers there, or who does is no scheduler; or the scheduler was lost while the client was used.
    """
    distributed = _engine()
    import dask

    with _silenced("distributed"), dask.config.set(CONFIG), warnings.catch_warnings():
        warnings.simplefilter("ignore")
        _require_scheduler(distributed, address)
        try:
            client = distributed.Client(address, timeout=CONNECT_S, set_as_default=False)
        except (OSError, ValueError, *TIMED_OUT) as error:
            raise BadInput(f"--cluster {address}", f"the scheduler was lost at once ({first_line(error)})") from error
        with _plainly(distributed, address):
            try:
                with client.as_current():
                    yield client
            finally:
                with contextlib.suppress(Exception):
                    client.close(timeout=CONNECT_S)


def first_line(error: BaseException) -> str:
    """The first line of what an error says, or its kind."""
    return (str(error).strip().splitlines() or [type(error).__name__])[0][:120]


def _engine() -> Any:
    try:
        import distributed
    except ImportError:
        install = getting("distributed")
        raise BadInput("--cluster", f"needs Dask distributed, here and on every worker: {install}") from None
    return distributed


def _require_scheduler(distributed: Any, address: str) -> None:
    """Raise BadInput unless a scheduler says that it is one, within ``CONNECT_S``."""
    place = f"--cluster {address}"
    try:
        there = _asked_who(distributed, address)
    except TIMED_OUT:
        silent = f"what listens there does not answer as a Dask scheduler within {CONNECT_S:g} s"
        raise BadInput(place, f"{silent}; {NEED}") from None
    except OSError as error:
        raise BadInput(place, f"no scheduler answers there ({first_line(error)}); {NEED}") from error
    except Exception as error:
        other = f"what listens there does not answer as a Dask scheduler ({first_line(error)})"
        raise BadInput(place, f"{other}; {NEED}") from error
    if "workers" not in there:
        raise BadInput(place, f"a Dask {there['type'].lower()} listens there, which is no scheduler; {NEED}")


def _asked_who(distributed: Any, address: str) -> dict[str, Any]:
    """What listens at an address says of itself. Asked on a thread of its own, which may be left hanging."""

    async def ask() -> Any:
        arguments = distributed.Security().get_connection_args("client")
        comm = await distributed.core.connect(address, timeout=CONNECT_S, **arguments)
        try:
            return await distributed.core.send_recv(comm, op="identity")
        finally:
            comm.abort()

    async def ask_in_time() -> Any:
        return await asyncio.wait_for(ask(), CONNECT_S + GRACE_S)

    said: list[Any] = []

    def keep() -> None:
        try:
            said.append(asyncio.run(ask_in_time()))
        except Exception as error:
            said.append(error)

    asking = threading.Thread(target=keep, daemon=True)
    asking.start()
    asking.join(CONNECT_S + 2 * GRACE_S)
    if not said:
        raise TimeoutError
    if isinstance(said[0], Exception):
        raise said[0]
    return dict(said[0])


@contextlib.contextmanager
def _plainly(distributed: Any, address: str) -> Iterator[None]:
    """Say in a line that the scheduler was lost."""
    from concurrent.futures import CancelledError

    try:
        yield
    except (OSError, CancelledError, distributed.client.FutureCancelledError) as error:
        raise BadInput(address, "the scheduler was lost in mid-run; nothing was judged") from error


@contextlib.contextmanager
def _silenced(name: str) -> Iterator[None]:
    """Nothing is logged under a name, nor by those below it, some of which the engine gives a level of their own."""
    below = [one for one in logging.root.manager.loggerDict if f"{one}.".startswith(f"{name}.")]
    levels = {logger: logger.level for one in below for logger in [logging.getLogger(one)]}
    for logger in levels:
        logger.setLevel(logging.CRITICAL + 1)
    try:
        yield
    finally:
        for logger, level in levels.items():
            logger.setLevel(level)
