"""S3-compatible object storage: names, listing, reading by ranges, and error messages.

The library is imported where a project names such storage and nowhere else; it comes with
``envs/cluster.lock``. Endpoint, region and credentials are its own affair, by the usual AWS
environment variables and files: nothing of them is kept, logged or shown here.
"""

import functools
import io
import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, BinaryIO
from urllib.parse import urlsplit

from platefiles.core.errors import UserError
from platefiles.core.safe_names import escape

SCHEME = "s3://"
READERS = 16
"""Headers that are read, and frames that are fetched, at one time."""

_URL = re.compile(r"s3://[A-Za-z0-9][A-Za-z0-9._-]{1,61}[A-Za-z0-9](/.*)?")
_CHUNK_BYTES = 1 << 20
_TRIES = 3
_MISSING = {"NoSuchKey", "404", "NotFound"}
_CHANGED = {"PreconditionFailed", "412", "InvalidRange", "416"}


class ObjectError(UserError):
    """One object cannot be read although the storage responds."""


@dataclass(frozen=True)
class StoredObject:
    """One object of a listing."""

    bucket: str
    key: str
    size_bytes: int
    etag: str
    """The storage's own mark of the content."""
    mtime_ns: int

    @property
    def url(self) -> str:
        """Name of the object, with bucket and key."""
        return f"{SCHEME}{self.bucket}/{self.key}"


def is_object_url(place: object) -> bool:
    """Return whether a raw folder is a prefix in object storage."""
    return isinstance(place, str) and place.startswith(SCHEME)


def url_problem(url: str) -> str:
    """Return the fault in a prefix, without its name, which may contain credentials; or nothing."""
    if _URL.fullmatch(url) and url.isprintable():
        return ""
    return (
        "an entry for object storage must be s3://bucket/prefix; endpoint and credentials go "
        "into the AWS environment variables or files, never in here"
    )


def split_url(url: str) -> tuple[str, str]:
    """Return bucket and key of a URL; the key of a prefix has no trailing slash."""
    bucket, _, key = url.removeprefix(SCHEME).partition("/")
    return bucket, key.rstrip("/")


@functools.cache
def storage_client() -> Any:
    """Return the client of this process; threads may share it.

    Raises
    ------
    UserError
        If the library is not installed or its settings are invalid.
    """
    try:
        from botocore.config import Config
        from botocore.session import get_session
    except ImportError:
        msg = (
            "raw frames in object storage need packages that are not installed: "
            "`make cluster` in the checkout installs them"
        )
        raise UserError(msg) from None
    with in_plain_words("object storage"):
        session = get_session()
        region = session.get_config_variable("region") or "us-east-1"
        settings = Config(connect_timeout=10, max_pool_connections=READERS)
        try:
            return session.create_client("s3", region_name=region, config=settings)
        except ValueError:  # repeats the endpoint, with what secrets it may hold
            msg = "AWS_ENDPOINT_URL is no address such as https://storage.example.org; correct it"
            raise UserError(msg) from None


def list_objects(client: Any, url: str) -> list[StoredObject]:
    """List the objects below a prefix, in the order of a folder walk.

    Parameters
    ----------
    client : botocore client
        As from `storage_client`.
    url : str
        ``s3://bucket/prefix``; objects below ``prefix/`` are listed.

    Raises
    ------
    UserError
        If the storage is out of reach, or the bucket cannot be listed.
    """
    bucket, prefix = split_url(url)
    below = f"{prefix}/" if prefix else ""
    found = []
    with in_plain_words(url):
        pages = client.get_paginator("list_objects_v2").paginate(Bucket=bucket, Prefix=below)
        for page in pages:
            for entry in page.get("Contents", ()):
                mtime_ns = int(entry["LastModified"].timestamp()) * 10**9
                etag = entry.get("ETag", "")
                found.append(StoredObject(bucket, entry["Key"], entry["Size"], etag, mtime_ns))
    return sorted(found, key=lambda entry: entry.key.split("/"))


class RangedReader(io.RawIOBase):
    """An object as a seekable file; each read is one range request.

    Parameters
    ----------
    client : botocore client
        As from `storage_client`.
    stored : StoredObject
        The object to read. If it was replaced since the listing, reading raises ObjectError.
    """

    def __init__(self, client: Any, stored: StoredObject):
        self._client = client
        self._stored = stored
        self._at = 0

    def readable(self) -> bool:
        """Return True: the object is readable."""
        return True

    def seekable(self) -> bool:
        """Return True: the object is seekable."""
        return True

    def tell(self) -> int:
        """Return the position of the next byte."""
        return self._at

    def seek(self, offset: int, whence: int = io.SEEK_SET) -> int:
        """Set the position relative to the start, the present position or the end."""
        start = {io.SEEK_SET: 0, io.SEEK_CUR: self._at, io.SEEK_END: self._stored.size_bytes}
        self._at = max(0, start[whence] + offset)
        return self._at

    def readinto(self, buffer: Any) -> int:
        """Fill a buffer with the next bytes and return how many there were."""
        stop = min(self._at + len(buffer), self._stored.size_bytes)
        if stop <= self._at:
            return 0
        words = {"Bucket": self._stored.bucket, "Key": self._stored.key}
        words["Range"] = f"bytes={self._at}-{stop - 1}"
        if self._stored.etag:
            words["IfMatch"] = self._stored.etag
        with in_plain_words(self._stored.url):
            data = self._client.get_object(**words)["Body"].read()
        buffer[: len(data)] = data
        self._at += len(data)
        return len(data)


def fetch_object(client: Any, url: str, target: BinaryIO) -> None:
    """Copy an object into an open file; restart if the connection breaks.

    Raises
    ------
    UserError
        If the object is gone, or the storage is out of reach.
    """
    bucket, _, key = url.removeprefix(SCHEME).partition("/")
    with in_plain_words(url):
        for last in (False,) * (_TRIES - 1) + (True,):
            try:
                body = client.get_object(Bucket=bucket, Key=key)["Body"]
                for chunk in body.iter_chunks(_CHUNK_BYTES):
                    target.write(chunk)
                return
            except _broken_connections():
                if last:
                    raise
                target.seek(0)
                target.truncate()


def _broken_connections() -> tuple[type[Exception], ...]:
    from botocore import exceptions

    return (
        exceptions.ReadTimeoutError,
        exceptions.ResponseStreamingError,
        exceptions.IncompleteReadError,
        exceptions.ConnectionClosedError,
    )


@contextmanager
def in_plain_words(url: str) -> Iterator[None]:
    """Convert the library's errors to one sentence without endpoint, account or key.

    Parameters
    ----------
    url : str
        URL of the request.

    Raises
    ------
    ObjectError
        If one object cannot be read.
    UserError
        If the storage or the bucket is out of reach.
    """
    from botocore import exceptions

    name = escape(url)
    try:
        yield
    except exceptions.ClientError as error:
        raise _answer(name, str(error.response.get("Error", {}).get("Code", "?"))) from None
    except (exceptions.NoCredentialsError, exceptions.PartialCredentialsError):
        msg = (
            f"{name}: there are no credentials for object storage: set AWS_ACCESS_KEY_ID and "
            "AWS_SECRET_ACCESS_KEY, or AWS_PROFILE"
        )
        raise UserError(msg) from None
    except (exceptions.HTTPClientError, exceptions.ConnectionError) as error:
        msg = (
            f"{name}: the object storage{_host_of(error)} cannot be reached; check the network "
            "and AWS_ENDPOINT_URL"
        )
        raise UserError(msg) from None
    except exceptions.BotoCoreError as error:
        msg = f"{name}: the AWS settings make no sense ({type(error).__name__}); correct them"
        raise UserError(msg) from None


def _answer(name: str, code: str) -> UserError:
    if code == "NoSuchBucket":
        return UserError(f"{name}: there is no such bucket: correct `raw` in the project's file")
    if code in _MISSING:
        return ObjectError(f"{name}: is not there any more")
    if code in _CHANGED:
        return ObjectError(f"{name}: was replaced while it was read")
    if code == "InvalidObjectState":
        return ObjectError(f"{name}: lies in an archive: bring it back into the storage first")
    return ObjectError(f"{name}: the object storage refuses it ({code})")


def _host_of(error: Any) -> str:
    host = urlsplit(str(error.kwargs.get("endpoint_url") or "")).hostname
    return f" at {host}" if host else ""
