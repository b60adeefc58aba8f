"""The container recipe and the Kubernetes manifest, read without building or running them."""

import re
import shlex
from argparse import ArgumentParser
from pathlib import Path

import pytest
import yaml
from snakemake.cli import parse_args

from platecli.execution import engine
from platecli.verbs import run

ROOT = Path(__file__).resolve().parents[3]
INSTRUCTIONS = {"CMD", "COPY", "ENTRYPOINT", "FROM", "RUN", "USER", "WORKDIR"}


@pytest.fixture(scope="module")
def recipe():
    """Instructions of the recipe, each with its words."""
    text = (ROOT / "envs" / "Containerfile").read_text(encoding="utf-8")
    lines = [line for line in text.splitlines() if line and not line.startswith("#")]
    return [(line.split()[0], shlex.split(line)[1:]) for line in lines]


@pytest.fixture(scope="module")
def manifest():
    """The manifest's documents by kind."""
    text = (ROOT / "envs" / "kubernetes.yaml").read_text(encoding="utf-8")
    return {document["kind"]: document for document in yaml.safe_load_all(text)}


@pytest.fixture(scope="module")
def pod(manifest):
    """What the job's pod is made of."""
    return manifest["CronJob"]["spec"]["jobTemplate"]["spec"]["template"]["spec"]


def _words(recipe, kind):
    return [words for instruction, words in recipe if instruction == kind]


def test_every_instruction_is_known(recipe):
    """No line is a slip of the pen."""
    assert {instruction for instruction, _ in recipe} == INSTRUCTIONS


def test_base_image_is_the_locked_python(recipe):
    """It is a plain name with a version, that for which conda's environment is locked too."""
    ((image,),) = _words(recipe, "FROM")
    conda = yaml.safe_load((ROOT / "envs" / "pipeline.yaml").read_text(encoding="utf-8"))
    (version,) = re.findall(r"python=([0-9.]+)\.\*", " ".join(conda["dependencies"]))
    assert image == f"python:{version}-slim-bookworm"


def test_all_that_is_copied_is_there_and_all_that_is_needed_is_copied(recipe):
    """Sources exist; with the Snakefile come all files that it and the launcher read."""
    sources = [word for words in _words(recipe, "COPY") for word in words[1:-1]]
    assert [source for source in sources if not (ROOT / source).exists()] == []
    needed = {"Snakefile", "rules", "scripts", "envs", "LICENSE"}
    needed |= {f"config/{name}" for name in ("profile", "recipes", "equipment")}
    assert set(sources) == needed
    for words in _words(recipe, "COPY"):
        assert len(words) > 3 or words[2].rstrip("/") == words[1]


def test_packages_come_from_the_locks_alone(recipe):
    """The set-up of the launcher, which reads the lock, and pip with digests; nothing else."""
    *_, install = _words(recipe, "RUN")
    launcher, pip = " ".join(install).split(" && ")
    assert launcher.startswith("python3 scripts/platelog.py run --help")
    assert "--require-hashes --requirement envs/cluster.lock" in pip
    text = (ROOT / "envs" / "Containerfile").read_text(encoding="utf-8")
    assert text.count("pip install") == 1
    assert not re.search(r"://|apt-get|curl|wget|:latest", text)


def test_nothing_runs_as_root(recipe, pod):
    """The image's user owns the folders, and the pod names the same number."""
    create, _ = _words(recipe, "RUN")
    uid = int(create[create.index("--uid") + 1])
    assert _words(recipe, "USER") == [["platelog"]]
    assert pod["securityContext"]["runAsUser"] == pod["securityContext"]["fsGroup"] == uid


def test_pod_runs_a_command_that_the_launcher_takes(pod):
    """The arguments are those of `run`, and what follows goes to Snakemake and wins there."""
    (container,) = pod["containers"]
    words = container["args"]
    cut = words.index("--")
    parser = ArgumentParser()
    run.add_arguments(parser)
    args = parser.parse_args(words[1:cut])
    assert (words[0], args.project, args.cores) == ("run", ["/data/projects/mytarget.yaml"], 8)
    command = engine.command(["x"], args.to, args.directory, args.cores, extra=words[cut + 1 :])
    options = parse_args(command[4:])[1]
    assert options.cores == args.cores == int(container["resources"]["requests"]["cpu"])
    memory_mb = options.resources["mem_mb"].value
    limit = container["resources"]["limits"]["memory"]
    assert memory_mb * 10**6 < int(limit.removesuffix("Gi")) * 2**30


def test_what_the_pod_mounts_is_declared(manifest, pod):
    """Folders that the command names are volumes, and the results survive the pod."""
    (container,) = pod["containers"]
    mounted = {mount["mountPath"]: mount["name"] for mount in container["volumeMounts"]}
    volumes = {volume["name"]: volume for volume in pod["volumes"]}
    assert set(mounted.values()) == set(volumes)
    scratch = next(v["value"] for v in container["env"] if v["name"] == "PLATELOG_SCRATCH")
    assert "emptyDir" in volumes[mounted[scratch]]
    claim = volumes[mounted["/data"]]["persistentVolumeClaim"]["claimName"]
    assert claim == manifest["PersistentVolumeClaim"]["metadata"]["name"]


def test_no_secret_stands_in_the_manifest(pod):
    """Keys come from a secret of the cluster, and two runs of a project never meet."""
    (container,) = pod["containers"]
    assert container["envFrom"] == [{"secretRef": {"name": "platelog-storage"}}]
    assert not [v for v in container["env"] if v["name"].startswith("AWS_")]
