"""Workflow templates: valid by the schemas of their services, and their shell lines run from first to last.

Each template is put through by a small runner that knows how its service orders jobs, hands artefacts on and sets
variables. Stand-ins are the steps that are no shell (check out, hand artefacts on, publish), the installation (the
package under test is there), and the service's API, which a server on this machine speaks.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
import threading
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest

import warm
from conftest import Workspace
from reverdict.command_line import main
from reverdict.demo import write_demo

ROOT = Path(__file__).parents[1]
TEMPLATES = ROOT / "ci" / "templates"
SCHEMAS = {
    "hosted-workflow.yml": "vendor.github-workflows",
    "gitlab-ci.yml": "vendor.gitlab-ci",
    "bitbucket-pipelines.yml": "vendor.bitbucket-pipelines",
}
MARK = "[//]: # (reverdict)"

pytestmark = pytest.mark.skipif(not TEMPLATES.is_dir(), reason="the tests run without the repository's ci folder")


def template(name: str) -> Any:
    yaml = pytest.importorskip("ruamel.yaml")
    return yaml.YAML(typ="safe", pure=True).load((TEMPLATES / name).read_text(encoding="utf-8"))


@pytest.mark.parametrize("name", SCHEMAS)
def test_a_template_is_valid_by_the_schema_of_its_service(name: str) -> None:
    schemas = pytest.importorskip("check_jsonschema.builtin_schemas")
    jsonschema = pytest.importorskip("jsonschema")
    schema = schemas.get_builtin_schema(SCHEMAS[name])
    validator = jsonschema.validators.validator_for(schema)(schema)
    assert list(validator.iter_errors(template(name))) == []
    assert list(validator.iter_errors({"jobs": {"sound": {"steps": 1}}, "pipelines": 1, "stages": 1})) != []


def test_every_template_is_looked_at() -> None:
    assert {path.name for path in TEMPLATES.iterdir()} == set(SCHEMAS)


# A service that takes comments


@dataclass
class Service:
    """What a server of comments was asked, and the comments it holds, by number."""

    comments: dict[int, str] = field(default_factory=dict)
    asked: list[tuple[str, str]] = field(default_factory=list)
    tokens: set[str] = field(default_factory=set)
    locked: set[int] = field(default_factory=set)
    url: str = ""


@pytest.fixture
def service() -> Iterator[Service]:
    told = Service()

    class Answers(BaseHTTPRequestHandler):
        def reply(self, content: Any, status: int = 200) -> None:
            body = json.dumps(content).encode()
            self.send_response(status)
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        def handle_any(self) -> None:
            path, _, query = self.path.partition("?")
            told.asked.append((self.command, path))
            told.tokens.add(self.headers.get("Authorization", "") + self.headers.get("PRIVATE-TOKEN", ""))
            nested = path.startswith("/repositories/")
            if self.command == "GET":
                found = list(told.comments.items()) if query.endswith("page=1") else []
                listed = [
                    {"id": number, **({"content": {"raw": text}} if nested else {"body": text})}
                    for number, text in found
                ]
                self.reply({"values": listed} if nested else listed)
                return
            sent = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
            number = len(told.comments) + 1 if self.command == "POST" else int(path.rpartition("/")[2])
            if number in told.locked:
                self.reply({}, 403)
                return
            told.comments[number] = sent["content"]["raw"] if nested else sent["body"]
            self.reply({"id": number})

        do_GET = do_POST = do_PUT = do_PATCH = handle_any  # noqa: N815 - as the server library calls them

        def log_message(self, *_: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Answers)
    told.url = f"http://127.0.0.1:{server.server_address[1]}"
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    yield told
    server.shutdown()
    server.server_close()
    thread.join()


ADDRESSES = {
    "github": ("/repos/o/r/issues/7/comments", "PATCH", "/repos/o/r/issues/comments/2"),
    "gitlab": ("/projects/3/merge_requests/7/notes", "PUT", "/projects/3/merge_requests/7/notes/2"),
    "bitbucket": ("/repositories/o/r/pullrequests/7/comments", "PUT", "/repositories/o/r/pullrequests/7/comments/2"),
}


def comment(*arguments: str, token: str = "hidden") -> subprocess.CompletedProcess[str]:  # noqa: S107 - of nothing
    command = [sys.executable, str(ROOT / "ci" / "comment"), *arguments]
    environment = os.environ | {"REVERDICT_TOKEN": token, "no_proxy": "*"}
    return subprocess.run(command, env=environment, capture_output=True, text=True, check=False)


@pytest.mark.parametrize("kind", ADDRESSES)
def test_a_comment_is_made_once_and_then_rewritten(service: Service, tmp_path: Path, kind: str) -> None:
    path, verb, edited = ADDRESSES[kind]
    service.comments[1] = f"> {MARK} quoted by somebody"
    summary = tmp_path / "summary.md"
    for said in ("first", "second"):
        summary.write_text(f"## {said}\n", encoding="utf-8")
        assert comment(kind, service.url + path, str(summary)).returncode == 0
    assert service.comments == {1: f"> {MARK} quoted by somebody", 2: f"{MARK}\n\n## second\n"}
    assert [one for one in service.asked if one[0] != "GET"] == [("POST", path), (verb, edited)]
    assert {token.removeprefix("Bearer ") for token in service.tokens} == {"hidden"}


def test_a_mark_that_somebody_copied_does_no_harm(service: Service, tmp_path: Path) -> None:
    service.comments[1] = f"{MARK} not yours"
    service.locked.add(1)
    summary = tmp_path / "summary.md"
    summary.write_text("one\n\n" + "x" * 20000 + "\n\n" + "y" * 20000, encoding="utf-8")
    assert comment("github", service.url + ADDRESSES["github"][0], str(summary)).returncode == 0
    assert service.comments[1] == f"{MARK} not yours"
    assert service.comments[2].endswith("x\n\nMore stands in the report.\n")


def test_what_could_not_be_said_is_told_without_the_token(tmp_path: Path) -> None:
    summary = tmp_path / "summary.md"
    summary.write_text("one", encoding="utf-8")
    ended = comment("github", "http://127.0.0.1:1/repos/o/r/issues/7/comments", str(summary))
    assert (ended.returncode, "hidden" in ended.stderr, ended.stderr.count("\n")) == (2, False, 1)
    assert "REVERDICT_TOKEN is not set" in comment("github", "https://x", str(summary), token="").stderr
    assert "usage: ci/comment github|gitlab|bitbucket URL FILE" in comment("other", "https://x", str(summary)).stderr


# A branch that keeps a folder


def git(folder: Path, *arguments: str) -> str:
    named = ["-c", "user.name=a", "-c", "user.email=a@example.org", "-c", "commit.gpgsign=false"]
    command = ["git", "-C", str(folder), *named, *arguments]
    return subprocess.run(command, check=True, capture_output=True, text=True).stdout.strip()


def published(folder: Path, remote: Path) -> Path:
    """Make a folder a repository whose main branch stands at a bare remote."""
    git(folder, "init", "-q", "-b", "main")
    git(folder, "add", "--all")
    git(folder, "commit", "-q", "-m", "One")
    git(folder, "clone", "-q", "--bare", ".", str(remote))
    return remote


def cloned(remote: Path, folder: Path) -> Path:
    subprocess.run(["git", "clone", "-q", "--depth", "1", f"file://{remote}", str(folder)], check=True)
    return folder


def branch(folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    command = ["bash", str(ROOT / "ci" / "branch"), *arguments]
    return subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)


def kept(remote: Path, name: str) -> list[str]:
    return git(remote, "ls-tree", "-r", "--name-only", name).splitlines()


def test_a_branch_keeps_what_several_jobs_push(tmp_path: Path) -> None:
    sources = tmp_path / "sources"
    sources.mkdir()
    (sources / "build.toml").touch()
    remote = published(sources, tmp_path / "remote")
    jobs = [cloned(remote, tmp_path / f"job-{number}") for number in range(3)]
    for number, job in enumerate(jobs[:2]):  # two at once, before there is a branch
        assert branch(job, "fetch", "runs", "kept").returncode == 0
        assert [path.name for path in (job / "kept").iterdir()] == [".git"]
        (job / "kept" / f"{number}.json").write_text(str(number), encoding="utf-8")
        (job / "kept" / ".index").touch()
    for job in jobs[:2]:
        assert branch(job, "push", "runs", "kept").returncode == 0, branch(job, "push", "runs", "kept").stderr
    assert kept(remote, "runs") == ["0.json", "1.json"]
    assert branch(jobs[2], "fetch", "runs", "kept").returncode == 0
    assert (jobs[2] / "kept" / "1.json").read_text(encoding="utf-8") == "1"
    (jobs[2] / "kept" / "0.json").unlink()
    (jobs[2] / "kept" / "2.json").touch()
    assert branch(jobs[2], "push", "runs", "kept").returncode == 0
    assert kept(remote, "runs") == ["1.json", "2.json"]
    assert git(remote, "rev-list", "--count", "runs") == "3"
    assert branch(jobs[2], "push", "runs", "kept").returncode == 0
    assert git(remote, "rev-list", "--count", "runs") == "3"
    assert kept(remote, "main") == ["build.toml"]
    assert git(jobs[2], "status", "--short", "--untracked-files=no") == ""


def test_a_branch_says_what_is_amiss(tmp_path: Path) -> None:
    sources = tmp_path / "sources"
    sources.mkdir()
    (sources / "build.toml").touch()
    job = cloned(published(sources, tmp_path / "remote"), tmp_path / "job")
    (job / "taken").mkdir()
    for arguments, said in [
        (("fetch", "runs", "taken"), "taken is there already"),
        (("push", "runs", "taken"), "taken was not made by ci/branch fetch"),
        (("pull", "runs", "taken"), 'there is fetch and push, not "pull"'),
        (("fetch",), "usage: ci/branch fetch|push BRANCH DIR"),
    ]:
        ended = branch(job, *arguments)
        assert (ended.returncode, ended.stderr) == (2, f"ci/branch: {said}\n")


# Runners


@dataclass
class World:
    """What all jobs of a pipeline share."""

    remote: Path
    suite: Path
    scratch: Path
    service: Service
    build: str
    on_main: bool
    statuses: dict[str, int] = field(default_factory=dict)

    def environment(self, more: Mapping[str, str]) -> dict[str, str]:
        ours = {"BUILD": self.build, "GOLDEN": "golden", "SUITE": str(self.suite), "SUITE_VERSION": "main"}
        home = {"HOME": str(self.scratch), "REVERDICT_TOKEN": "hidden", "no_proxy": "*"}
        return {**os.environ, **home, **more, **ours}

    def run(self, job: str, folder: Path, script: str, more: Mapping[str, str]) -> int:
        ended = subprocess.run(
            ["bash", "-eo", "pipefail", "-c", script],
            cwd=folder, env=self.environment(more), capture_output=True, text=True, check=False,
        )  # fmt: skip
        with (self.scratch / f"{job}.log").open("a", encoding="utf-8") as log:
            log.write(ended.stdout + ended.stderr)
        self.statuses[job] = self.statuses.get(job) or ended.returncode
        return ended.returncode


def filled(text: str, known: Mapping[str, str]) -> str:
    """Put in what expressions stand for; one that is not known is an error."""
    return re.sub(r"\$\{\{ (.+?) \}\}", lambda expression: known[expression[1]], text)


def run_hosted(world: World) -> Path:
    """Run every job of the hosted workflow; give the folder that was published."""
    told = template("hosted-workflow.yml")
    store = world.scratch / "artefacts"
    expressions = {
        "runner.os": "Linux", "env.SUITE_VERSION": "main", "env.REPORT": told["env"]["REPORT"],
        "github.api_url": world.service.url, "github.repository": "o/r", "github.event.number": "7",
        "github.token": "hidden",
    }  # fmt: skip
    conditions = {
        "github.ref == 'refs/heads/main'": world.on_main,
        "${{ !cancelled() }}": True,
        "${{ !cancelled() && github.ref == 'refs/heads/main' }}": world.on_main,
        "${{ !cancelled() && github.event.pull_request.head.repo.full_name == github.repository }}": not world.on_main,
    }
    assert list(told["jobs"]) == ["sound", "cost", "gate", "publish"]
    for name, job in told["jobs"].items():
        if not conditions[job.get("if", "${{ !cancelled() }}")]:
            continue
        for index, shard in enumerate(job.get("strategy", {}).get("matrix", {}).get("shard", [""])):
            known = {**expressions, "matrix.shard": shard, "strategy.job-index": str(index)}

            folder, exported = world.scratch / f"{name}-{index}", world.scratch / f"{name}-{index}.env"
            runner = world.scratch / f"{name}-{index}-temp"
            runner.mkdir()
            failed = False
            for step in job["steps"]:
                if not (conditions[step["if"]] if "if" in step else not failed):
                    continue
                given = {key: filled(str(value), known) for key, value in step.get("with", {}).items()}
                match step.get("uses", "").partition("@")[0]:
                    case "actions/checkout":
                        cloned(world.remote, folder)
                    case "actions/upload-artifact":
                        shutil.copytree(folder / given["path"], store / given["name"])
                    case "actions/download-artifact":
                        folder.mkdir(exist_ok=True)
                        if "name" in given:
                            shutil.copytree(store / given["name"], folder / given["path"])
                        for found in store.glob(given.get("pattern", "nothing")):
                            shutil.copytree(found, folder / given["path"] / found.name)
                    case "actions/upload-pages-artifact":
                        shutil.copytree(folder / given["path"], world.scratch / "site")
                    case "actions/cache" | "actions/deploy-pages":
                        pass
                    case "":
                        lines = exported.read_text(encoding="utf-8").splitlines() if exported.exists() else []
                        more = {
                            "GITHUB_ENV": str(exported), "RUNNER_TEMP": str(runner), "REPORT": told["env"]["REPORT"],
                            "GITHUB_REF": "refs/heads/main" if world.on_main else "refs/pull/7/merge",
                            "GITHUB_STEP_SUMMARY": str(world.scratch / "page.md"),
                            **{key: filled(value, known) for key, value in step.get("env", {}).items()},
                            **dict(line.split("=", 1) for line in lines),
                        }  # fmt: skip
                        failed |= world.run(name, folder, step["run"], more) != 0
                    case other:
                        pytest.fail(f"no stand-in for {other}")
    return world.scratch / "site"


def run_gitlab(world: World) -> Path:
    """Run every job of the pipeline by stages, each with the artefacts of those before."""
    told = template("gitlab-ci.yml")
    store = world.scratch / "artefacts"
    store.mkdir()
    report = told["variables"]["REPORT"]
    jobs = {name: job for name, job in told.items() if isinstance(job, dict) and "stage" in job}
    assert [name for stage in told["stages"] for name in jobs if jobs[name]["stage"] == stage] == list(jobs)
    for name, job in jobs.items():
        if "rules" in job and not world.on_main:
            continue
        for index in range(1, job.get("parallel", 1) + 1):
            folder = cloned(world.remote, world.scratch / f"{name}-{index}")
            shutil.copytree(store, folder, dirs_exist_ok=True)
            more = {
                "CI_PROJECT_DIR": str(folder), "CI_DEFAULT_BRANCH": "main", "REPORT": report, "CI_PROJECT_ID": "3",
                "CI_NODE_INDEX": str(index), "CI_NODE_TOTAL": str(job.get("parallel", 1)),
                "CI_API_V4_URL": world.service.url,
                **({"CI_COMMIT_BRANCH": "main"} if world.on_main else {"CI_MERGE_REQUEST_IID": "7"}),
            }  # fmt: skip
            before = job.get("before_script", told["default"]["before_script"])
            status = world.run(name, folder, "\n".join([*before, *job["script"]]), more)
            if status == 0 or job["artifacts"].get("when") == "always":
                for path in job["artifacts"]["paths"]:
                    path = path.replace("$REPORT", report)
                    shutil.copytree(folder / path, store / path, dirs_exist_ok=True)
            for path in job["artifacts"].get("reports", {}).values():
                assert (folder / path.replace("$REPORT", report)).is_file()
    return store / "public"


def run_bitbucket(world: World) -> Path:
    """Run the steps of the pipeline of the branch or of the merge request; give the branch that was published."""
    told = template("bitbucket-pipelines.yml")
    store = world.scratch / "artefacts"
    store.mkdir()
    pipelines = told["pipelines"]
    chosen = pipelines["branches"]["main"] if world.on_main else pipelines["pull-requests"]["**"]
    steps = [one["step"] for entry in chosen for one in entry.get("parallel", [entry])]
    assert len(steps) == 4
    for number, step in enumerate(steps):
        folder = cloned(world.remote, world.scratch / f"step-{number}")
        shutil.copytree(store, folder, dirs_exist_ok=True)
        more = {
            "BITBUCKET_BRANCH": "main" if world.on_main else "work", "BITBUCKET_REPO_FULL_NAME": "o/r",
            "REVERDICT_API": world.service.url, **({} if world.on_main else {"BITBUCKET_PR_ID": "7"}),
        }  # fmt: skip
        job = "gate" if step["name"] == "Gate" else step["name"]
        if world.run(job, folder, "\n".join(step["script"]), more) and job != "gate":
            break
        for pattern in step["artifacts"]:
            for path in filter(Path.is_file, folder.glob(f"{pattern}/*")):
                target = store / path.relative_to(folder)
                target.parent.mkdir(parents=True, exist_ok=True)
                shutil.copyfile(path, target)
    site = world.scratch / "site"
    if world.on_main:
        subprocess.run(["git", "clone", "-q", "-b", "pages", str(world.remote), str(site)], check=True)
    return site


RUNNERS = {"hosted-workflow.yml": run_hosted, "gitlab-ci.yml": run_gitlab, "bitbucket-pipelines.yml": run_bitbucket}


@pytest.fixture
def suite(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """A repository of the suite in which only the installation is a stand-in: the package under test is there."""
    suite, programs = tmp_path_factory.mktemp("suite"), tmp_path_factory.mktemp("programs")
    (programs / "python").symlink_to(sys.executable)
    shutil.copytree(ROOT / "ci", suite / "ci")
    (suite / "ci" / "set-up").write_text(f"echo '{programs}'\n", encoding="utf-8")
    git(suite, "init", "-q", "-b", "main")
    git(suite, "add", "--all")
    git(suite, "commit", "-q", "-m", "One")
    with warm.program(programs):
        yield suite


def pipelines_do_what_they_should(
    name: str, root: Path, good: str, faulty: str, suite: Path, place: Path, service: Service
) -> None:
    remote = published(root, place / "remote")

    def world(build: str, on_main: bool) -> World:
        scratch = place / ("main" if on_main else "request")
        scratch.mkdir()
        return World(remote, suite, scratch, service, build, on_main)

    request = world(faulty, on_main=False)
    RUNNERS[name](request)
    assert request.statuses.pop("gate") == 1
    assert set(request.statuses.values()) == {0}
    (said,) = service.comments.values()
    assert said.startswith(f"{MARK}\n\n## ")
    assert ": fail\n" in said
    assert "runs" not in git(remote, "branch", "--list")

    release = world(good, on_main=True)
    site = RUNNERS[name](release)
    logs = "".join(path.read_text(encoding="utf-8") for path in release.scratch.glob("*.log"))
    assert set(release.statuses.values()) == {0}, logs
    assert len(kept(remote, "reverdict-runs")) == 1
    for page in ("index.html", "badge.svg", "junit.xml", "drift.html"):
        assert (site / page).is_file(), page
    assert json.loads((site / "verdict.json").read_text(encoding="utf-8"))["outcome"] == "pass"
    assert len(service.comments) == 1
    assert main(["gate", str(root / good), "--golden", str(root / "golden"), "--report", str(place / "whole")]) == 0
    whole = json.loads((place / "whole" / "verdict.json").read_text(encoding="utf-8"))
    merged = json.loads((site / "verdict.json").read_text(encoding="utf-8"))
    assert merged["counts"] == whole["counts"]


@pytest.mark.few(1)
@pytest.mark.parametrize("name", RUNNERS)
def test_the_steps_of_a_template_run_from_first_to_last(
    name: str, workspace: Workspace, suite: Path, tmp_path_factory: pytest.TempPathFactory, service: Service
) -> None:
    good, faulty = (
        str(path.relative_to(workspace.root)) for path in (workspace.build(), workspace.faulty("silence", "short"))
    )
    pipelines_do_what_they_should(name, workspace.root, good, faulty, suite, tmp_path_factory.mktemp("world"), service)


@pytest.mark.slow
@pytest.mark.parametrize("name", RUNNERS)
def test_the_steps_of_a_template_run_on_the_demo(name: str, suite: Path, tmp_path: Path, service: Service) -> None:
    demo = tmp_path / "demo"
    write_demo(demo)
    good, faulty = "builds/release-1.1.toml", "builds/drifted-refactor.toml"
    pipelines_do_what_they_should(name, demo, good, faulty, suite, tmp_path, service)
