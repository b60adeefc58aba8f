"""A disk that is full, and raw frames that change, at random moments of a run."""

import contextlib
import os
import random
import resource
import shutil
import subprocess
import threading
import time
from collections.abc import Iterator
from pathlib import Path

from campaign_table import Row, Setting
from small_project import SmallProject, Started, jargon

_SIZE_MB = 64


def full_disks(count: int, setting: Setting) -> None:
    """Fill the disk at a random moment; where none can be mounted, bound the length of files."""
    with _small_disk(setting.folder / "disk") as disk:
        row = setting.row("disk full" if disk else "files bounded")
        for number in range(count):
            chance = setting.chance("full", number)
            project = setting.clean.copied((disk or setting.folder) / "short", finished=False)
            status, said = (
                _filled(project, disk, setting, chance) if disk else _bounded(project, chance)
            )
            _count(row, project, setting, status, said)


def changed_raws(count: int, setting: Setting) -> None:
    """Change a raw frame at a random moment, and put it back when the run has ended."""
    row = setting.row("raw changed")
    for number in range(count):
        chance = setting.chance("raw", number)
        project = setting.clean.copied(setting.folder / "changed", finished=False)
        path = chance.choice(sorted(project.raw.rglob("*.fits")))
        with Started(project) as run:
            time.sleep(chance.random() * setting.takes_s)
            _change(path, chance)
            status, said = run.end(600.0)
        shutil.copy2(setting.clean.raw / path.relative_to(project.raw), path)
        _count(row, project, setting, status, said, path.relative_to(project.raw))


def _count(
    row: Row, project: SmallProject, setting: Setting, status: int, said: str, about: object = ""
) -> None:
    """Run again, and count a fault as found if the run or `verify` told it, or it did no harm."""
    word = jargon(said)
    harmless = project.made().items() <= setting.expected.items()
    told = harmless or status != 0 or "left out" in said or bool(project.verified()[1])
    again, said_again = project.run()
    wrong = f"the next run ended with {again}: {said_again[-600:]}" if again else ""
    wrong = wrong or setting.not_as_clean(project)
    problem = f"{word}: {said[-1500:]}" if word else ""
    if not problem and not told:
        problem = f"{about} other products, and not a word"
    row.count(problem, healed=not wrong)
    if wrong:
        row.wrong(f"{about} not healed: {wrong}")


def _change(path: Path, chance: random.Random) -> None:
    content, before = bytearray(path.read_bytes()), path.stat()
    for _ in range(50):
        content[chance.randrange(len(content) // 4, len(content))] ^= 1 << chance.randrange(8)
    with open(path, "r+b") as stream:
        stream.write(content)
    if chance.random() < 0.5:
        os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))


def _bounded(project: SmallProject, chance: random.Random) -> tuple[int, str]:
    """Run with a bound on the length of files, from some kilobytes to more than any product."""
    most = int(1000 * 3000 ** chance.random())
    return project.run(before=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (most, most)))


def _filled(
    project: SmallProject, disk: Path, setting: Setting, chance: random.Random
) -> tuple[int, str]:
    """Run, and leave no byte free from a random moment to the end of the run."""
    ended = threading.Event()

    def fill(after_s: float) -> None:
        pause_s = after_s
        with open(disk / "ballast", "ab", buffering=0) as ballast:
            while not ended.wait(pause_s):
                for size in (1 << 16, 1 << 9, 1):
                    with contextlib.suppress(OSError):
                        while not ended.is_set():
                            ballast.write(bytes(size))
                pause_s = 0.002

    filler = threading.Thread(target=fill, args=(chance.random() * setting.takes_s,))
    with Started(project) as run:
        filler.start()
        status, said = run.end(600.0)
        ended.set()
        filler.join()
    (disk / "ballast").unlink()
    return status, said


@contextlib.contextmanager
def _small_disk(place: Path) -> Iterator[Path | None]:
    """Mount a small disk for a while; nothing where that is not allowed."""
    place.mkdir(parents=True, exist_ok=True)
    words = ["mount", "-t", "tmpfs", "-o", f"size={_SIZE_MB}m", "tmpfs", str(place)]
    if os.geteuid() or subprocess.run(words, capture_output=True).returncode:
        yield None
        return
    try:
        yield place
    finally:
        subprocess.run(["umount", "--lazy", str(place)], check=True)
