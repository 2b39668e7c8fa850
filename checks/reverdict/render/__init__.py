"""Rendering: the only place that runs somebody else's code, always in a child process.

    render(build, request, work_folder) -> Rendered | Failure
    play(build, request, stimuli, work_folder) -> list of Played | Failure     anything else a build may hear
    prepare(build, work_folder) -> str     once before the first render (render sees to it too); why it failed
    open_timer(build, request) -> Timer    what a sample costs

    build      what is rendered and what comes back, as data
    command, recordings                    kinds of build that are no code in a process
    hosted, worker, hosts                  kinds that are: Python objects, libraries, plug-ins
    child, launcher                        limits, and nobody left behind

Nothing here measures or judges. A worker, of which every render starts one, loads what it needs of this and no more.
"""

from typing import TYPE_CHECKING

from reverdict.later import later

if TYPE_CHECKING:
    from reverdict.render.build import Build, Failure, Limits, Played, Rendered, Rendering, Request, Stimulus
    from reverdict.render.command import parameters_missing
    from reverdict.render.folders import working_folder
    from reverdict.render.hosts import HOSTED
    from reverdict.render.preparing import HEADER, prepare, prepare_log
    from reverdict.render.rendering import RECORDED, as_rendered, play, render, unfit

__all__ = [
    "HEADER", "HOSTED", "RECORDED", "Build", "Failure", "Limits", "Played", "Rendered", "Rendering", "Request",
    "Stimulus", "as_rendered", "parameters_missing", "play", "prepare", "prepare_log", "render", "unfit",
    "working_folder",
]  # fmt: skip

_HOMES = {
    "build": ("Build", "Failure", "Limits", "Played", "Rendered", "Rendering", "Request", "Stimulus"),
    "command": ("parameters_missing",),
    "folders": ("working_folder",),
    "hosts": ("HOSTED",),
    "preparing": ("HEADER", "prepare", "prepare_log"),
    "rendering": ("RECORDED", "as_rendered", "play", "render", "unfit"),
}

__getattr__ = later(__name__, {name: (module, name) for module, names in _HOMES.items() for name in names})
