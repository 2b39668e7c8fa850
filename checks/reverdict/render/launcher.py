"""The process between the suite and somebody's build: sets limits, runs it, and leaves nobody behind.

    python -I -S launcher.py STATUS_FD MEMORY_BYTES CPU_SECONDS FILE_BYTES CORE PROGRAM ARGUMENT…

Stands alone (standard library only, few imports: every render pays for its start). It adopts every process that the
build leaves behind, however it detached itself, and kills them all when the build ends, when it is told to stop
(SIGTERM) and when the suite itself dies. A limit of 0 is no limit, a core of -1 any core. Into STATUS_FD it writes one
line: ``wait status, CPU seconds`` of the build and of those of its children that it waited for.
"""

import os
import resource
import signal
import sys

PR_SET_PDEATHSIG = 1
PR_SET_CHILD_SUBREAPER = 36


def main() -> None:
    """Run the build to its end, tell how it ended, and end whatever it left."""
    status_fd, memory_bytes, cpu_seconds, file_bytes, core = (int(text) for text in sys.argv[1:6])
    limits = {
        resource.RLIMIT_AS: memory_bytes,
        resource.RLIMIT_CPU: cpu_seconds,
        resource.RLIMIT_FSIZE: file_bytes,
        resource.RLIMIT_CORE: 0,
    }
    os.set_inheritable(status_fd, False)
    if core >= 0:
        os.sched_setaffinity(0, {core})
    adopt_orphans()
    # A stop that comes while the build is being born waits until there is something to stop.
    signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGTERM})
    build = os.fork()
    if build == 0:
        signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGTERM})
        become(sys.argv[6:], limits)
    signal.signal(signal.SIGTERM, lambda *_: end(build))
    signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGTERM})
    _, status, usage = os.wait4(build, 0)
    signal.signal(signal.SIGTERM, signal.SIG_IGN)
    end_all(build)
    os.write(status_fd, f"{status} {usage.ru_utime + usage.ru_stime!r}\n".encode())


def adopt_orphans() -> None:
    """Linux only: become the parent of every orphan below, and be told when the suite dies."""
    if sys.platform != "linux":
        return
    import ctypes

    library = ctypes.CDLL(None)
    library.prctl(PR_SET_CHILD_SUBREAPER, 1, 0, 0, 0)
    library.prctl(PR_SET_PDEATHSIG, int(signal.SIGTERM), 0, 0, 0)


def become(argv: list[str], limits: dict[int, int]) -> None:
    """In the child: take the limits on and turn into the build. Does not return."""
    try:
        os.setsid()
        for number in (signal.SIGPIPE, signal.SIGXFSZ, signal.SIGINT):
            signal.signal(number, signal.SIG_DFL)
        for kind, value in limits.items():
            set_limit(kind, value)
        os.execvp(argv[0], argv)  # noqa: S606 - an argv list, no shell: that is the point
    except OSError as error:
        os.write(2, f"cannot run {argv[0]}: {error.strerror}\n".encode())
    finally:
        os._exit(126)


def set_limit(kind: int, value: int) -> None:
    """0 is no limit, save for core files: a crash must not leave one beside the user's sources."""
    if value == 0 and kind != resource.RLIMIT_CORE:
        return
    hard = resource.getrlimit(kind)[1]
    if hard != resource.RLIM_INFINITY:
        value = min(value, hard)
    try:  # noqa: SIM105 - contextlib costs every render a millisecond
        resource.setrlimit(kind, (value, value))
    except (OSError, ValueError):
        pass  # some systems refuse


def end(build: int) -> None:
    """Kill the build and its group."""
    for pid in (-build, build):
        kill(pid)


def end_all(build: int) -> None:
    """Kill what is left of the build's group, then everybody else: each death hands its own children over to us."""
    kill(-build)
    while True:
        left = children()
        for pid in left:
            kill(pid)
        try:
            ended, _ = os.waitpid(-1, 0 if left else os.WNOHANG)
        except ChildProcessError:
            return
        if not ended:
            return


def kill(pid: int) -> None:
    """Kill a process, or a group by its negative number; it may be gone already."""
    try:  # noqa: SIM105 - as above
        os.kill(pid, signal.SIGKILL)
    except OSError:
        pass


def children() -> list[int]:
    """Our children, adopted ones included; none where the system does not list them."""
    try:
        with open(f"/proc/self/task/{os.getpid()}/children", encoding="ascii") as listing:  # noqa: PTH123 - as above
            return [int(pid) for pid in listing.read().split()]
    except OSError:
        return []


if __name__ == "__main__":
    main()
