import ast
import fcntl
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

import platelog
from platecli.execution import environment
from platefiles.provenance.header_provenance import VERSION

LAUNCHER = Path(platelog.__file__)
FIRST, SECOND = "alpha==1 \\\n    --hash=sha256:aa\n", "alpha==2 \\\n    --hash=sha256:bb\n"


class Builder:
    """Stand-in for the installer: makes an interpreter's place and counts its calls."""

    def __init__(self, whole=True):
        self.calls = 0
        self.whole = whole

    def __call__(self, lock, venv, env):
        """Build, and end without the stamp if the build is not to be whole."""
        self.calls += 1
        (venv / "bin").mkdir(exist_ok=True)
        python = venv / "bin" / "python"
        if not python.exists():
            python.symlink_to(sys.executable)
        if not self.whole:
            msg = "the network is gone"
            raise environment.SetupError(msg)
        environment.write_stamp(lock, venv)


def ensured(root, builder):
    """Set up as one process does that then ends, and return the environment."""
    venv, handle = environment.ensure(root, {}, builder)
    os.close(handle)
    return venv


@pytest.fixture
def checkout(tmp_path):
    """Make a checkout with nothing but a lock, in a folder with a blank and a quote."""
    root = tmp_path / "my sky's"
    (root / "envs").mkdir(parents=True)
    (root / "envs" / "requirements.lock").write_text(FIRST, encoding="utf-8")
    return root


def test_second_start_does_not_build(checkout):
    """What was set up once is not set up again."""
    builder = Builder()
    for _ in range(3):
        assert ensured(checkout, builder) == checkout / ".venv"
    assert builder.calls == 1


def test_changed_lock_builds_anew(checkout):
    """Another lock makes another environment."""
    builder = Builder()
    ensured(checkout, builder)
    (checkout / "envs" / "requirements.lock").write_text(SECOND, encoding="utf-8")
    ensured(checkout, builder)
    ensured(checkout, builder)
    assert builder.calls == 2


def test_vanished_interpreter_builds_anew(checkout):
    """An upgrade that takes the interpreter away is interpolated by the next start."""
    builder = Builder()
    venv = ensured(checkout, builder)
    (venv / "bin" / "python").unlink()
    ensured(checkout, builder)
    assert builder.calls == 2


def test_half_built_is_not_taken_as_whole(checkout):
    """After a set-up that failed, the next one begins anew."""
    with pytest.raises(environment.SetupError, match="the network is gone"):
        environment.ensure(checkout, {}, Builder(whole=False))
    builder = Builder()
    ensured(checkout, builder)
    assert builder.calls == 1


@pytest.mark.parametrize("content", ["", "{", "[]", '{"lock": "0"}'])
def test_damaged_stamp_is_no_stamp(checkout, content):
    """A stamp that cannot be read, or says something else, does not count."""
    builder = Builder()
    venv = ensured(checkout, builder)
    (venv / "setup.json").write_text(content, encoding="utf-8")
    ensured(checkout, builder)
    assert builder.calls == 2


def test_environment_in_use_cannot_be_renewed(checkout):
    """While one launcher uses the environment, another cannot take it for building."""
    venv, held = environment.ensure(checkout, {}, Builder())
    with (venv / "setup.lock").open("r+") as handle, pytest.raises(BlockingIOError):
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    os.close(held)


def test_two_launchers_build_once(checkout):
    """Of two starts at once one builds, and the other waits and uses what was built."""
    code = """
import sys, time
from pathlib import Path
from platecli.execution import environment
root = Path(sys.argv[1])
def build(lock, venv, env):
    with (root / "built").open("a") as log:
        log.write("x")
    time.sleep(0.3)
    (venv / "bin").mkdir()
    (venv / "bin" / "python").symlink_to(sys.executable)
    environment.write_stamp(lock, venv)
environment.ensure(root, {}, build)
"""
    words = [sys.executable, "-c", code, str(checkout)]
    launchers = [subprocess.Popen(words, stderr=subprocess.DEVNULL) for _ in range(3)]
    assert [launcher.wait(timeout=600) for launcher in launchers] == [0, 0, 0]
    assert (checkout / "built").read_text(encoding="utf-8") == "x"


def test_missing_lock_is_a_sentence(checkout):
    """A checkout without its lock says what to do."""
    (checkout / "envs" / "requirements.lock").unlink()
    (checkout / ".venv").mkdir()
    (checkout / ".venv" / "setup.json").write_text("{}", encoding="utf-8")
    with pytest.raises(environment.SetupError, match="requirements.lock cannot be read .* git"):
        environment.ensure(checkout, {}, Builder())


def test_missing_ensurepip_is_a_sentence(checkout, monkeypatch):
    """Where the system's Python comes without venv, the package to install is named."""
    monkeypatch.setattr(environment.importlib.util, "find_spec", lambda name: None)
    with pytest.raises(environment.SetupError, match="sudo apt install python3-venv"):
        environment.ensure(checkout, {})


def test_unwritable_checkout_is_a_sentence(checkout):
    """Where .venv cannot be made, the sentence says so."""
    (checkout / ".venv").write_text("a file is in the way", encoding="utf-8")
    with pytest.raises(environment.SetupError, match=r"\.venv cannot be written"):
        environment.ensure(checkout, {}, Builder())


# The sentences of pip 23 to 26, as seen.
@pytest.mark.parametrize(
    ("log", "says"),
    [
        ("Retrying after connection broken by 'NewConnectionError(...)'", "go online"),
        ("OSError: [Errno 28] No space left on device", "disk is full"),
        ("ERROR: THESE PACKAGES DO NOT MATCH THE HASHES FROM THE REQUIREMENTS", "not the one"),
        ("ERROR: No matching distribution found for numpy==9", "use Python 3.11"),
    ],
)
def test_installer_faults_are_sentences(log, says):
    """Known faults of the installer are told in one line, with what to do."""
    sentence = environment.explain(log)
    assert says in sentence
    assert "\n" not in sentence
    assert "same command again" in sentence


def test_unknown_installer_fault_shows_its_last_words():
    """A fault without a sentence of its own is shown as the installer told it."""
    log = "\n".join(f"line {n}" for n in range(40))
    assert environment.explain(log).splitlines()[1:] == [f"line {n}" for n in range(28, 40)]


def test_builders_are_taken_from_the_lock_with_digests():
    """What the source packages are built with is held to the lock too."""
    lock = Path(platelog.ROOT / "envs" / "requirements.lock").read_text(encoding="utf-8")
    for name in environment.BUILDERS:
        lines = environment.pinned(lock, name).splitlines()
        assert lines[0].startswith(f"{name}==")
        assert all("--hash=sha256:" in line for line in lines[1:])
        assert len(lines) > 1


def test_old_python_is_refused_with_a_remedy(monkeypatch):
    """On an old Python the sentence names a newer one that is there."""
    monkeypatch.setattr(platelog.shutil, "which", lambda name: name == "python3.12" or None)
    refused = platelog.refusal((3, 8, 10), "posix", Path("/sky"))
    assert (
        refused
        == "Python 3.11 or newer is needed and this is 3.8.10; use python3.12, which is here."
    )


def test_new_python_is_accepted():
    """A Python that is new enough on a POSIX system is not refused."""
    assert platelog.refusal((3, 11, 0), "posix", Path("/my sky")) is None
    assert platelog.refusal((3, 14, 1), "posix", Path("/my sky")) is None


def test_other_systems_and_impossible_folders_are_refused():
    """Where the program cannot work at all, that is said before anything is set up."""
    assert "Subsystem for Linux" in platelog.refusal((3, 12, 0), "nt", Path("/sky"))
    assert "rename" in platelog.refusal((3, 12, 0), "posix", Path("/my:sky"))


def test_launcher_reads_on_old_python():
    """Python 3.8 can read the launcher, so that it comes to say that it is too old."""
    ast.parse(LAUNCHER.read_text(encoding="utf-8"), feature_version=(3, 8))


@pytest.mark.parametrize("path", [LAUNCHER, Path(environment.__file__)])
def test_set_up_needs_the_standard_library_only(path):
    """Nothing that is yet to be installed is imported to install it."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    plain = {n.name for node in ast.walk(tree) if isinstance(node, ast.Import) for n in node.names}
    froms = {node.module for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)}
    found = {str(name).split(".")[0] for name in plain | froms}
    assert found - set(sys.stdlib_module_names) - {"platecli"} == set()


def test_child_environment_writes_bytecode_and_finds_the_code(monkeypatch):
    """What runs inside .venv keeps its bytecode, and sees no code but the project's."""
    monkeypatch.setenv("PYTHONDONTWRITEBYTECODE", "1")
    monkeypatch.setenv("PYTHONPATH", "/elsewhere")
    env = platelog.child_environment(Path("/my sky"), Path("/my sky/.venv"))
    assert "PYTHONDONTWRITEBYTECODE" not in env
    assert env["PYTHONPATH"] == "/my sky/scripts"
    assert env["PATH"].split(os.pathsep)[0] == "/my sky/.venv/bin"


def launched(*words):
    """Run the launcher as a user does."""
    return subprocess.run(
        [sys.executable, str(LAUNCHER), *words], capture_output=True, text=True, check=False
    )


def test_unknown_verb_is_refused_with_the_nearest_one():
    """A typing error in the verb is answered before anything is set up."""
    done = launched("dmeo")
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr == (
        f"There is no verb 'dmeo' - did you mean 'demo'? Verbs: {', '.join(platelog.VERBS)}.\n"
    )


def test_help_lists_every_verb_with_one_line():
    """The help names each verb and fits a terminal of 100 columns."""
    done = launched("--help")
    assert done.returncode == 0
    lines = done.stdout.splitlines()
    assert [line.split()[0] for line in lines if line.startswith("  ")] == list(platelog.VERBS)
    assert max(map(len, lines)) <= 100


def test_version_is_told_before_anything_is_set_up():
    """The launcher alone, on any Python, says name and version as headers of products do."""
    done = launched("--version")
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout == f"platelog {VERSION}\n"


@pytest.mark.parametrize("words", [["--help"], ["dmeo"], []])
def test_launcher_fits_narrow_consoles(monkeypatch, words):
    """In 60 columns no line is longer, and no word is lost."""
    whole = launched(*words)
    monkeypatch.setenv("COLUMNS", "60")
    narrow = launched(*words)
    assert narrow.returncode == whole.returncode
    for folded, plain in ((narrow.stdout, whole.stdout), (narrow.stderr, whole.stderr)):
        assert folded.split() == plain.split()
        assert max(map(len, folded.splitlines()), default=0) <= 60


def test_reader_of_the_help_may_leave():
    """A reader who has closed the pipe gets no traceback."""
    reading, writing = os.pipe()
    os.close(reading)
    command = [sys.executable, str(LAUNCHER), "--help"]
    done = subprocess.run(command, stdout=writing, stderr=subprocess.PIPE, text=True)
    os.close(writing)
    assert done.stderr == ""


def test_stamp_names_the_interpreter_below_the_environment(checkout):
    """The stamp holds the real interpreter, so that its replacement is noticed."""
    venv = ensured(checkout, Builder())
    stamp = json.loads((venv / "setup.json").read_text(encoding="utf-8"))
    assert stamp["python"] == os.path.realpath(sys.executable)
