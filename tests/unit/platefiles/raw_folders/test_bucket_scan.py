import gzip
import json

import numpy as np
import pytest
from astropy.io import fits

from platefiles.core.errors import UserError
from platefiles.raw_folders import bucket_scan
from platefiles.raw_folders.scan import scan_folders


@pytest.fixture
def raw(tmp_path):
    """A folder with frames of every packing, good and bad, and with what is passed over."""
    folder = tmp_path / "raw"
    (folder / "night").mkdir(parents=True)
    (folder / ".hidden").mkdir()
    pixels = np.arange(60_000, dtype=np.uint16).reshape(200, 300)
    plain = fits.PrimaryHDU(pixels)
    plain.header["FILTER"], plain.header["EXPTIME"] = "Ha", 60.0
    plain.writeto(folder / "night" / "a.fits")
    long_header = fits.PrimaryHDU(pixels[::-1])
    for number in range(2000):
        long_header.header[f"K{number}"] = number
    long_header.writeto(folder / "night" / "b.fit")
    packed = fits.CompImageHDU(pixels)
    fits.HDUList([fits.PrimaryHDU(), packed]).writeto(folder / "c.fits.fz")
    content = (folder / "night" / "a.fits").read_bytes()
    (folder / "d.fits.gz").write_bytes(gzip.compress(content + bytes(2880), mtime=0))
    (folder / "cut.fits").write_bytes(content[:50_000])
    (folder / "empty.fits").write_bytes(b"")
    (folder / "text.fits").write_bytes(b"no FITS file" * 300)
    (folder / "broken.fits.gz").write_bytes(gzip.compress(content, mtime=0)[:3000])
    for name in ("notes.txt", ".hidden/x.fits", ".y.fits"):
        (folder / name).write_bytes(content)
    return folder


def _upload(folder, bucket, prefix="raw"):
    for path in folder.rglob("*"):
        if path.is_file():
            bucket.put(f"{prefix}/{path.relative_to(folder).as_posix()}", path.read_bytes())
    return f"{bucket.url}/{prefix}"


def _facts(files):
    """What a scan found, but for where and when."""
    return [
        (f.inside, f.size_bytes, f.width_px, f.height_px, f.header, f.reason, f.fingerprint)
        for f in files
    ]


def _requests(bucket):
    """Note the range of each object that is asked for from now on."""
    noted = []
    bucket.client.meta.events.register(
        "provide-client-params.s3.GetObject",
        lambda params, **_: noted.append((params["Key"], params.get("Range"))),
    )
    return noted


def test_objects_are_seen_as_files_are(raw, bucket):
    """Names, order, sizes, headers, reasons and fingerprints are those of the files on disk."""
    url = _upload(raw, bucket)
    found = scan_folders([url], None, False)
    assert len(found) == 8
    assert _facts(found) == _facts(scan_folders([raw], None, False))
    assert {file.folder for file in found} == {url}
    assert [file.path for file in found] == [f"{url}/{file.inside}" for file in found]


def test_headers_are_read_by_ranges(tmp_path, bucket):
    """A large frame costs two requests for 64 KB each, never the whole of it."""
    fits.PrimaryHDU(np.ones((1000, 1500), np.uint16)).writeto(tmp_path / "large.fits")
    url = _upload(tmp_path, bucket)
    noted = _requests(bucket)
    size = (tmp_path / "large.fits").stat().st_size
    scan_folders([url], None, False)
    assert noted == [
        ("raw/large.fits", "bytes=0-65535"),
        ("raw/large.fits", f"bytes={size - 65536}-{size - 1}"),
    ]


def test_unchanged_objects_are_not_read_again(raw, bucket, tmp_path):
    """The listing alone is looked at; what was replaced is read, what is gone is dropped."""
    url, cache = _upload(raw, bucket), tmp_path / "results" / "cache.json"
    before = scan_folders([url], cache, True)
    noted = _requests(bucket)
    assert scan_folders([url], cache, True) == before
    assert noted == []
    replaced = (raw / "night" / "b.fit").read_bytes()
    bucket.put("raw/night/a.fits", replaced)
    bucket.client.delete_object(Bucket=bucket.name, Key="raw/cut.fits")
    after = {file.inside: file for file in scan_folders([url], cache, True)}
    assert {key for key, _ in noted} == {"raw/night/a.fits"}
    assert after["night/a.fits"].fingerprint == after["night/b.fit"].fingerprint
    assert "cut.fits" not in after
    assert set(json.loads(cache.read_bytes())["files"]) == {file.path for file in after.values()}


def test_folders_and_prefixes_together(raw, bucket, tmp_path):
    """Folders come first; an object that two prefixes reach counts once."""
    url = _upload(raw, bucket)
    found = scan_folders([url, raw, f"{url}/night"], tmp_path / "cache.json", True)
    assert len(found) == 16
    assert [file.folder for file in found] == [str(raw)] * 8 + [url] * 8
    assert scan_folders([url, raw, f"{url}/night"], tmp_path / "cache.json", True) == found


def test_object_that_cannot_be_read_is_tried_again(raw, bucket, tmp_path, monkeypatch):
    """It has a reason, which is not kept in the cache, and the others go on."""
    url, cache = _upload(raw, bucket), tmp_path / "cache.json"
    really = bucket_scan.list_objects

    def with_a_ghost(client, prefix):
        listed = really(client, prefix)
        bucket.client.delete_object(Bucket=bucket.name, Key="raw/night/a.fits")
        return listed

    with monkeypatch.context() as patch:
        patch.setattr(bucket_scan, "list_objects", with_a_ghost)
        found = {file.inside: file for file in scan_folders([url], cache, True)}
    assert found["night/a.fits"].reason == "cannot be opened: is not there any more"
    assert found["night/b.fit"].reason == ""
    assert f"{url}/night/a.fits" not in json.loads(cache.read_bytes())["files"]


def test_nothing_below_a_prefix_is_one_sentence(bucket):
    """A slip in the name must not pass for a project without frames."""
    bucket.put("raw2/a.fits", b"x")
    with pytest.raises(UserError, match=rf"there is nothing in {bucket.url}/raw: correct `raw` in"):
        scan_folders([f"{bucket.url}/raw"], None, False)
