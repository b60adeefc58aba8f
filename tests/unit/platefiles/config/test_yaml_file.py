import pytest

from platefiles.config.yaml_file import MAX_BYTES, YamlError, read_yaml


@pytest.fixture
def write(tmp_path, monkeypatch):
    """Write a file into the working directory and give its path."""
    monkeypatch.chdir(tmp_path)

    def _write(content, name="a.yaml"):
        path = tmp_path / name
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return path

    return _write


def refused(path):
    """Give the message with which a file is refused."""
    with pytest.raises(YamlError) as caught:
        read_yaml(path)
    return str(caught.value)


def test_lines_of_keys(write):
    """Every key and list item knows its line."""
    file = read_yaml(write("# note\na: 1\nb:\n  c: [1,\n      2]\n  d: x\n"))
    assert file.data == {"a": 1, "b": {"c": [1, 2], "d": "x"}}
    assert [file.line(loc) for loc in (["a"], ["b"], ["b", "c", 0], ["b", "c", 1], ["b", "d"])] == [
        2,
        3,
        4,
        5,
        6,
    ]


def test_line_of_a_missing_key_is_that_around_it(write):
    """A key that is not there is placed at the nearest key around it."""
    file = read_yaml(write("a:\n  b: 1\n"))
    assert file.line(["a", "nope", "deeper"]) == 1
    assert file.where(["nope"]) == "a.yaml"
    assert file.has(["a", "b"])
    assert not file.has(["a", "c"])


# Core schema of YAML 1.2.2, section 10.3.2.
@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("12", 12),
        ("012", 12),
        ("-3", -3),
        ("1e3", 1000.0),
        ("1.5E-2", 0.015),
        (".5", 0.5),
        ("true", True),
        ("False", False),
        ("yes", "yes"),
        ("off", "off"),
        ("12:30:00", "12:30:00"),
        ("2025-03-01", "2025-03-01"),
        ("1_000", "1_000"),
        ("'7'", "7"),
        ("~", None),
        ("", None),
        ("<<", "<<"),
        ("!!int abc", "abc"),
    ],
)
def test_plain_values_follow_the_core_schema(write, text, value):
    """Numbers, switches and text are told apart as YAML 1.2 does."""
    got = read_yaml(write(f"k: {text}\n")).data["k"]
    assert got == value
    assert type(got) is type(value)


def test_keys_are_text(write):
    """Keys that look like numbers or switches are text all the same."""
    assert read_yaml(write("5: a\ntrue: b\nnull: c\n")).data == {"5": "a", "true": "b", "null": "c"}


def test_utf8_with_a_byte_order_mark_and_windows_line_ends(write):
    """Files of other systems are read alike."""
    assert read_yaml(write(b"\xef\xbb\xbfa: \xce\xb1\r\nb: 2\r\n")).data == {"a": "α", "b": 2}


def test_every_duplicate_key_is_named(write):
    """Keys given twice are refused, all of them, with both lines."""
    message = refused(write("a: 1\nb:\n  c: 1\n  c: 2\na: 3\n"))
    assert message.splitlines() == [
        "a.yaml:4: b.c: given twice, first in line 3",
        "a.yaml:5: a: given twice, first in line 1",
    ]


def test_alias_bomb_is_refused(write):
    """Aliases are refused before they can multiply."""
    lines = ["a: &a [x, x, x]"] + [f"b{n}: &b{n} [*a, *a, *a]" for n in range(9)]
    assert refused(write("\n".join(lines))).startswith("a.yaml:2: not valid YAML: a value must not")


@pytest.mark.parametrize("pattern", ["*.fits", "*/x", "*"])
def test_bare_pattern_says_to_use_quotes(write, pattern):
    """A pattern without quotes, which YAML takes for an alias, is answered with the remedy."""
    message = refused(write(f"a: 1\nexclude: [{pattern}]\n"))
    assert message == (
        "a.yaml:2: not valid YAML: a value must not begin with *; "
        "put a pattern such as '*.fits' in quotes"
    )


def test_tab_is_named(write):
    """A tab as indent is called a tab."""
    assert refused(write("a:\n\tb: 1\n")) == (
        "a.yaml:2: not valid YAML: a tab is not allowed here; indent with blanks"
    )


@pytest.mark.parametrize(
    ("content", "message"),
    [
        ("", "a.yaml: the file is empty; it must hold keys and values"),
        ("# only a note\n", "a.yaml: the file is empty; it must hold keys and values"),
        ("- a\n- b\n", "a.yaml:1: the file holds a list where keys and values must stand"),
        ("\nhello\n", "a.yaml:2: the file holds a bare value where keys and values must stand"),
        (b"a: \xff\n", "a.yaml:1: not UTF-8 text; save it as UTF-8"),
        ("a: 1\n---\nb: 2\n", "a.yaml:2: not valid YAML: but found another document"),
        ("a: !!python/name:os.system x\n", "a.yaml:1: the tag "),
        ("[a, b]: 1\n", "a.yaml:1: a key must be a word, not a list or a group of keys"),
        ("a: 'x\n", "a.yaml:2: not valid YAML: "),
        (b"a: \x00\n", "a.yaml: not a text file (it holds control characters)"),
        ("a: " + "[" * 5000, "a.yaml:1: not valid YAML: nested more than 20 deep"),
    ],
)
def test_what_is_no_settings_file_is_refused_in_a_sentence(write, content, message):
    """Files that hold no keys and values are refused with one line that says why."""
    got = refused(write(content))
    assert got.startswith(message)
    assert "\n" not in got


def test_large_file_is_refused(write):
    """A file over a megabyte is no settings file."""
    assert "larger than 1 MB" in refused(write(b"a: 1\n" + b"#" * MAX_BYTES))


def test_missing_file_and_folder_are_refused(write, tmp_path):
    """No file, and a folder instead of one, are each a sentence."""
    write("a: 1")
    assert refused(tmp_path / "b.yaml") == "b.yaml: no such file"
    (tmp_path / "c.yaml").mkdir()
    assert refused(tmp_path / "c.yaml") == "c.yaml: not a file"


@pytest.mark.parametrize("hidden", ["\\e]0;x", "\\0", "\\u202e", "\\ud800", "\\x9b31m", "\\r"])
@pytest.mark.parametrize("line", ['title: "a{}b"', '"a{}b": 1', 'exclude: [x, "a{}b"]'])
def test_characters_that_no_screen_shows_are_refused(write, hidden, line):
    """Escape sequences, turned text and halves of characters get no further, nor on a screen."""
    message = refused(write("first: 1\n" + line.format(hidden) + "\n"))
    assert message.startswith("a.yaml:2: a ")
    assert message.endswith(" holds a character that cannot be seen; take it out")
    assert message.isprintable()


def test_letters_of_the_world_and_lines_are_taken(write):
    """Accents, other scripts, hard blanks, emoji, tabs and line breaks are text like any other."""
    text = "N\u00e9buleuse \u661f\u96f2 \u05d0 a\u00a0b \U0001f52d\tx\ny"
    content = 'a: "' + text.replace("\t", "\\t").replace("\n", "\\n") + '"'
    assert read_yaml(write(content)).data == {"a": text}


def test_a_flood_of_problems_is_cut(write):
    """Of thousands of slips the first twenty are told, and how many more there are."""
    lines = refused(write("k: 1\n" * 5000)).splitlines()
    assert len(lines) == 21
    assert lines[-1] == "a.yaml: and 4979 more problems like these"
