"""Give the frame reader thousands of odd files: ``read_odd_frames.py FOLDER EXAMPLES SPARE_MB``.

Run by `tests/unit/test_odd_frames.py` in a process of its own, with little memory to spare, so that
a crash, a hang or a big allocation is that process's and not the tests'. Whatever the bytes are, a
frame is read or refused with a reason; nothing else is raised, nothing outside the folder is
written to, and names made from headers and file names are safe.
"""

import gzip
import io
import os
import re
import resource
import signal
import sys
import tempfile
from collections import Counter
from pathlib import Path

import numpy as np
from astropy.io import fits
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.configuration import set_hypothesis_home_dir

from platefiles.config.load import load_project
from platefiles.core.errors import UserError
from platefiles.core.frame_errors import FrameError
from platefiles.fits.keywords import READ as KEYS
from platefiles.fits.products_io import image_hdu, primary_hdu
from platefiles.frames.frame import Frame, read_frame_list, sections_of, write_frame_list
from platefiles.provenance.header_provenance import exposure_cards
from platefiles.raw_folders.frame_list import build_frame_list
from platefiles.raw_folders.scan import RawFile, scan_folders
from platefiles.raw_frames.raw_frame import open_raw
from platefiles.transfers.links import make_links

SECONDS_A_FILE = 10
SAFE = re.compile(r"[A-Za-z0-9_]*")
NIGHT = re.compile(r"\d{4}-\d{2}-\d{2}|undated")
STRUCTURE = (
    b"SIMPLE", b"XTENSION", b"BITPIX", b"NAXIS", b"NAXIS1", b"NAXIS2", b"NAXIS3", b"PCOUNT",
    b"GCOUNT", b"TFIELDS", b"TFORM1", b"TTYPE1", b"THEAP", b"ZIMAGE", b"ZCMPTYPE", b"ZBITPIX",
    b"ZNAXIS", b"ZNAXIS1", b"ZNAXIS2", b"ZTILE1", b"ZTILE2", b"ZNAME1", b"ZVAL1", b"ZNAME2",
    b"ZVAL2", b"ZQUANTIZ", b"ZDITHER0", b"ZBLANK", b"ZSCALE", b"ZZERO", b"BZERO", b"BSCALE",
    b"BLANK", b"EXTEND", b"GROUPS", b"CONTINUE", b"HIERARCH", b"END", b"CHECKSUM", b"DATASUM",
)  # fmt: skip
FACTS = (
    b"IMAGETYP", b"FILTER", b"EXPTIME", b"GAIN", b"EGAIN", b"OFFSET", b"CCD-TEMP", b"XBINNING",
    b"CCDSUM", b"DATE-OBS", b"TIME-OBS", b"MJD-OBS", b"INSTRUME", b"OBJECT", b"BUNIT", b"PEDESTAL",
    b"OBJCTRA", b"OBJCTDEC", b"SITELONG", b"SITELAT", b"FOCALLEN", b"XPIXSZ",
    b"FILTNAM1", b"CAMTEMP", b"IM_SCALE", b"BAYERPAT", b"COLORCCD", b"XBAYROFF",
    b"TRIMSEC", b"BIASSEC", b"DATASEC", b"BSEC11",
)  # fmt: skip
VALUES = (
    b"0", b"1", b"2", b"3", b"8", b"16", b"-32", b"-64", b"-1", b"T", b"F", b"999", b"30",
    b"100000", b"32768", b"65536", b"2147483647", b"4294967296", b"9223372036854775807", b"1E300",
    b"-0.0", b"NaN", b"INF", b"1D-400", b"9" * 60, b"''", b"'RICE_1'", b"'GZIP_1'", b"'GZIP_2'",
    b"'PLIO_1'", b"'HCOMPRESS_1'", b"'NOCOMPRESS'", b"'1PB(99999999)'", b"'1QB(0)'", b"'IMAGE'",
    b"'BINTABLE'", b"'../../x'", b"'$(touch x)'", b"'-rf'", b"'a\nb'", b"'\xff\xfe'", b"'it''s'",
    b"'0001-01-01T00:00:00'", b"'9999-12-31T23:59:59'", b"'2026-03-24T12:00:00+99:99'",
    b"'[1:20,1:20]'", b"'[23:30,1:20]'", b"'[3:30,1:4]'", b"'[0:0,0:0]'", b"'[9:1,99999999999:1]'",
    b"'2026-02-30'", b"'24:00:60.9'", b"'Light'", b"'G'", b"'electron\xc3\xa9'", b"&", b"'&'",
)  # fmt: skip


def seeds() -> list[bytes]:
    """Draw a small frame in each format that cameras and archives write."""
    rng = np.random.default_rng(5)
    pixels = rng.integers(500, 900, (20, 30))
    header = fits.Header({"IMAGETYP": "Light", "FILTER": "G", "EXPTIME": 60.0, "GAIN": 100})
    header["DATE-OBS"], header["INSTRUME"] = "2026-03-24T22:10:00", "Test"
    plain = [
        fits.PrimaryHDU(pixels.astype(kind), header)
        for kind in ("u1", "i2", "u2", "i4", "f4", "f8")
    ]
    lists = [fits.HDUList([hdu]) for hdu in plain]
    lists.append(fits.HDUList([fits.PrimaryHDU(), fits.ImageHDU(pixels.astype("u2"), header)]))
    for method in ("RICE_1", "GZIP_1", "GZIP_2", "HCOMPRESS_1", "PLIO_1"):
        tiles = (10, 30) if method == "HCOMPRESS_1" else None
        hdu = fits.CompImageHDU(
            pixels.astype("i2"), header, compression_type=method, tile_shape=tiles
        )
        lists.append(fits.HDUList([fits.PrimaryHDU(), hdu]))
    for method in ("RICE_1", "GZIP_2"):
        hdu = fits.CompImageHDU(pixels.astype("f4") / 3, header, compression_type=method)
        lists.append(fits.HDUList([fits.PrimaryHDU(), hdu]))
    files = []
    for hdus in lists:
        target = io.BytesIO()
        hdus.writeto(target)
        files.append(target.getvalue())
    return files


def with_card(content: bytes, keyword: bytes, value: bytes) -> bytes:
    """Give a card, in the last header that has it or else in the first, another value."""
    card = (keyword.ljust(8) + b"= " + value.rjust(20)).ljust(80)[:80]
    place = content.rfind(keyword.ljust(8) + b"=")
    if place < 0:  # in place of the last card before the first END
        place = content.find(b"END".ljust(80)) - 80
    return content[:place] + card + content[place + 80 :] if place >= 0 else content


@st.composite
def odd_files(draw, whole: list[bytes]) -> bytes:
    """Damage a frame in a few places, as headers, disks and malice do."""
    content = draw(st.sampled_from(whole))
    for _ in range(draw(st.integers(0, 4))):
        match draw(st.integers(0, 7)):
            case 0 | 1:
                content = with_card(
                    content, draw(st.sampled_from(STRUCTURE)), draw(st.sampled_from(VALUES))
                )
            case 2:
                content = with_card(
                    content, draw(st.sampled_from(FACTS)), draw(st.sampled_from(VALUES))
                )
            case 3:
                value = draw(st.binary(max_size=70))
                content = with_card(content, draw(st.sampled_from(FACTS)), value)
            case 4:
                place = draw(st.integers(0, max(0, len(content) - 1)))
                some = draw(st.binary(min_size=1, max_size=16))
                content = content[:place] + some + content[place + len(some) :]
            case 5:
                content = content[: draw(st.integers(0, len(content)))]
            case 6:
                place = draw(st.integers(0, len(content)))
                content = content[:place] + bytes(draw(st.integers(1, 3000))) + content[place:]
            case 7:
                other = draw(st.sampled_from(whole))
                content = content[:2880] + other[2880 * draw(st.integers(0, 3)) :]
    if draw(st.integers(0, 4)) == 0:
        content = gzip.compress(content, 1, mtime=0)
        if draw(st.booleans()):
            place = draw(st.integers(0, len(content) - 1))
            content = content[:place] + draw(st.binary(max_size=8)) + content[place + 4 :]
    return content


def names() -> st.SearchStrategy[bytes]:
    """File names of any bytes that a disk takes."""
    some = st.one_of(
        st.binary(min_size=1, max_size=240),
        st.text(min_size=1, max_size=60).map(lambda text: text.encode("utf-8", "surrogatepass")),
        st.sampled_from([b"$(touch x)", b"-rf", b"a\nb", b"{x}", b"'\"", b"..", b"x" * 240]),
    )
    safe = some.map(lambda name: name.replace(b"/", b"_").replace(b"\0", b"_").lstrip(b"."))
    endings = st.sampled_from([b".fits", b".fit.gz", b".FITS.FZ"])
    return st.builds(lambda name, ending: (name or b"x") + ending, safe, endings)


def watch_writes(folder: str) -> None:
    """End the process if it opens a file outside of a folder for writing."""

    def watch(event: str, arguments: tuple) -> None:
        if event == "open" and isinstance(arguments[0], (str, bytes)):
            path, mode, flags = arguments
            writing = any(letter in (mode or "") for letter in "wax+")
            writing |= bool((flags or 0) & (os.O_WRONLY | os.O_RDWR | os.O_CREAT))
            inside = os.path.abspath(os.fsdecode(path)).startswith((folder, "/dev/null"))
            if writing and not inside:
                os.write(2, f"wrote outside of {folder}: {path!r}\n".encode())
                os._exit(3)

    sys.addaudithook(watch)


def hung(*_: object) -> None:
    """Answer the alarm of a file that takes too long."""
    msg = f"a file of a few kilobytes took more than {SECONDS_A_FILE} s"
    raise TimeoutError(msg)


def check(folder: Path, project, name: bytes, content: bytes) -> None:
    """Scan and read one file as a run would."""
    raw = folder / "raw"
    path = os.path.join(os.fsencode(raw), name)
    with open(path, "wb") as file:
        file.write(content)
    signal.alarm(SECONDS_A_FILE)
    try:
        _scan_and_read(folder, project, os.fsdecode(path))
        with open(path, "rb") as file:
            assert file.read() == content
    finally:
        signal.alarm(0)
        os.unlink(path)


def _scan_and_read(folder: Path, project, path: str) -> None:
    (file,) = scan_folders([folder / "raw"], folder / "results" / "cache.json", True)
    again = scan_folders([folder / "raw"], folder / "results" / "cache.json", False)
    assert again == [file]
    try:
        frames = build_frame_list([file], project)
    except UserError:
        return
    _check_row(frames[0])
    write_frame_list(frames, folder / "results" / "frames.tsv")
    assert read_frame_list(folder / "results" / "frames.tsv") == frames
    make_links(frames, folder / "results" / "links")
    try:
        with open_raw(path, sections_of(frames[0]).get("sections")) as image:
            values = image.data()
            image.words(0, 1)
    except FrameError as error:
        assert str(error).isprintable()
        return
    assert not file.reason
    assert values.shape == (frames[0].height_px, frames[0].width_px)
    assert values.dtype == np.float32


def _check_row(frame: Frame) -> None:
    """What becomes a part of a path is safe, and what is shown is printable."""
    assert SAFE.fullmatch(frame.id)
    assert SAFE.fullmatch(frame.setting)
    assert NIGHT.fullmatch(frame.night)
    assert frame.channel in ("", "g")
    assert frame.name.isprintable()
    assert frame.reason.isprintable()


def odd_headers() -> st.SearchStrategy[dict]:
    """Cards as a scan reads them, with values that no camera should write."""
    dates = st.builds(
        "{:04d}-{:02d}-{:02d}T{:02d}:{:02d}:{}{}".format,
        st.integers(0, 9999), st.integers(0, 13), st.integers(0, 32), st.integers(0, 25),
        st.integers(0, 61), st.sampled_from(["00", "60.5", "1e9"]), st.sampled_from(["", "-99"]),
    )  # fmt: skip
    texts = st.one_of(st.text(max_size=68), dates, st.sampled_from(["G", "Light", "Flat", "inf"]))
    numbers = st.one_of(st.integers(), st.floats(), st.booleans())
    usual = st.just({"IMAGETYP": "Light", "FILTER": "G", "EXPTIME": 60.0})
    cards = st.dictionaries(st.sampled_from(KEYS), st.one_of(texts, numbers), max_size=8)
    return st.builds(lambda more, first: {**first, **more}, cards, usual)


def check_header(project, cards: dict) -> None:
    """Bring a header to a row of the list of frames, and that to the cards of a product."""
    path = f"{project.raw_folders[0]}/a.fits"
    file = RawFile(path, str(project.raw_folders[0]), "a.fits", 1, 1, 30, 20, cards, "", "0" * 16)
    (frame,) = build_frame_list([file], project)
    _check_row(frame)
    header = exposure_cards([(frame.start_utc, frame.exposure_s)])
    primary_hdu([*header, ("RAWNAME", frame.name), ("BUNIT", frame.unit)]).header.tostring()
    image_hdu(np.zeros((2, 2), dtype=np.float32), "SCI", unit=frame.unit).header.tostring()


def main(folder: Path, examples: int, spare_mb: int) -> None:
    """Read so many odd files."""
    project_file = folder / "projects" / "odd.yaml"
    for place in ("raw", "results", "projects"):
        (folder / place).mkdir(parents=True)
    project_file.write_text(
        "title: Odd\nraw: [../raw]\nrecipe: single-channel\nchannels: {g: {filters: [G]}}\n"
    )
    project = load_project(project_file, folder)
    whole = seeds()
    signal.signal(signal.SIGALRM, hung)

    count: Counter[str] = Counter()
    careful = settings(
        max_examples=examples,
        deadline=None,
        database=None,
        derandomize=True,
        suppress_health_check=list(HealthCheck),
        print_blob=False,
    )

    @careful
    @given(names(), odd_files(whole))
    def every_file(name: bytes, content: bytes) -> None:
        check(folder, project, name, content)
        count["file"] += 1

    @careful
    @given(odd_headers())
    def every_header(cards: dict) -> None:
        check_header(project, cards)
        count["header"] += 1

    for number, content in enumerate(whole):
        check(folder, project, b"seed%d.fits" % number, content)
    set_hypothesis_home_dir(folder / "hypothesis")
    tempfile.tempdir = str(folder)
    watch_writes(str(folder))
    taken = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
    limit = taken + spare_mb * 1_000_000
    resource.setrlimit(resource.RLIMIT_AS, (limit, limit))
    every_header()
    every_file()
    print(f"{count['file']} files and {count['header']} headers")


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))
