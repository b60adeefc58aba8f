import io
import os
import subprocess
import sys

import pytest

from platecli.text.screen import Console, console_width, cut_at_word, folded

SENTENCE = "  note: the field has no astrometric solution, since Tycho-2 has too few stars in it"


def console(width, keep_going=False):
    """Return a console and the text that it has written."""
    stream = io.StringIO()
    return Console(stream, width, keep_going), stream.getvalue


@pytest.mark.parametrize("width", [20, 37, 60, 79, 200])
def test_lines_end_at_words(width):
    """No line is wider, every word is there and whole, and what follows is indented further."""
    lines = folded(SENTENCE, width)
    assert max(map(len, lines)) <= width
    assert " ".join(lines).split() == SENTENCE.split()
    assert all(line.startswith("    ") for line in lines[1:])


def test_text_behind_a_label_stays_in_its_column():
    """What follows a label and two blanks goes on below itself."""
    assert folded("  ha   8 of 8 subs and 1 h 20 min", 24) == [
        "  ha   8 of 8 subs and 1",
        "       h 20 min",
    ]


def test_drawn_trees_keep_their_lines():
    """Branches go on beside what is folded, and a long name stays beside its branch."""
    name = "calibration/dark_600s_heronmere.fits"
    assert folded(f"│  ├─ {name}  master_dark of 5 frames", 30) == [
        f"│  ├─ {name}",
        "│  │    master_dark of 5",
        "│  │    frames",
    ]


def test_long_words_and_paths_stay_whole():
    """A word that is wider than the console is not broken, nor is a line that is a path."""
    word = "results/" + "x" * 70 + ".png"
    assert word in folded(f"see {word} there", 60)[1]
    path = "  /home/me/my sky/results/veil/picture/natural and some more words.png"
    assert folded(path, 40) == [path]


def test_without_a_width_lines_stay_as_they_are():
    """Files and pipes get whole lines, as do consoles that are wide enough."""
    assert folded(SENTENCE, None) == [SENTENCE]
    assert folded(SENTENCE, len(SENTENCE)) == [SENTENCE]
    out, written = console(None)
    out.write(SENTENCE)
    assert written() == SENTENCE


def test_console_folds_what_comes_in_pieces():
    """Words are written as lines are completed, however they are cut."""
    whole, written_whole = console(30)
    whole.write(SENTENCE + "\nnext\n")
    pieces, written = console(30)
    for letter in SENTENCE + "\nnext\n":
        pieces.write(letter)
    assert written() == written_whole()
    assert max(map(len, written().splitlines())) <= 30
    assert written().endswith("\nnext\n")


def test_line_that_is_written_over_is_left_alone():
    """What is flushed before its line ends, such as a question, is there at once and unchanged."""
    out, written = console(20)
    out.write("Setting up (once, some minutes) ...")
    out.flush()
    assert written() == "Setting up (once, some minutes) ..."
    out.write(" done.\nbye\n")
    assert written() == "Setting up (once, some minutes) ... done.\nbye\n"


@pytest.mark.parametrize(
    ("text", "width", "cut"),
    [
        ("about 3 min left", 16, "about 3 min left"),
        ("about 3 min left", 15, "about 3 min…"),
        ("about 3 min left", 12, "about 3 min…"),
        ("about 3 min left", 11, "about 3…"),
        ("unbreakable", 6, "unbre…"),
    ],
)
def test_texts_are_cut_after_words(text, width, cut):
    """A cut text ends with a whole word and an ellipsis, where it has several words."""
    assert cut_at_word(text, width) == cut
    assert len(cut) <= width


def test_width_is_that_which_the_user_set(monkeypatch):
    """COLUMNS goes first; a stream that is no terminal has no width."""
    monkeypatch.setenv("COLUMNS", "60")
    assert console_width(io.StringIO()) == 60
    monkeypatch.setenv("COLUMNS", "3")
    assert console_width(io.StringIO()) == 20
    for nothing in ("", "0", "wide"):
        monkeypatch.setenv("COLUMNS", nothing)
        assert console_width(io.StringIO()) is None


def without_reader(code):
    """Run Python code whose output nobody reads any more."""
    reading, writing = os.pipe()
    os.close(reading)
    command = [sys.executable, "-c", code]
    done = subprocess.run(command, stdout=writing, stderr=subprocess.PIPE, text=True)
    os.close(writing)
    return done


MAIN = """
import sys, types
import platecli.__main__ as main
module = types.ModuleType("platecli.verbs.{verb}")
module.add_arguments = lambda parser: None
def run(args):
    for number in range(20000):
        print("line", number)
    print("at work to the end", file=sys.stderr)
    return 7
module.run = run
sys.modules[module.__name__] = module
sys.exit(main.on_console(["{verb}"]))
"""


@pytest.mark.parametrize("verb", ["check", "trace", "verify", "depth"])
def test_verbs_that_only_tell_end_with_their_reader(verb):
    """Without a word, and with the status of a broken pipe as shells give it: 128 + 13."""
    done = without_reader(MAIN.format(verb=verb))
    assert (done.returncode, done.stderr) == (141, "")


@pytest.mark.parametrize("verb", ["run", "demo", "new", "replay", "compare"])
def test_verbs_that_make_something_go_on(verb):
    """Their work is done to the end, and its status is theirs."""
    done = without_reader(MAIN.format(verb=verb))
    assert (done.returncode, done.stderr) == (7, "at work to the end\n")
