import re
from pathlib import Path

from platefiles.workflow.graph import Product

RULES = Path(__file__).resolve().parents[4] / "rules"


def test_steps_are_the_scripts_of_the_rules():
    """What is imported ahead for a rule is the script that the rule runs."""
    found = {}
    for path in sorted(RULES.glob("*.smk")):
        text = path.read_text(encoding="utf-8")
        for block in re.split(r"^ *(?=rule \w+)", text, flags=re.MULTILINE)[1:]:
            if script := re.search(r'"\.\./scripts/(\w+)\.py"', block):
                found[re.match(r"rule (\w+)", block)[1]] = script[1]
    text = (RULES / "colour.smk").read_text(encoding="utf-8")
    for rule in re.findall(r"^use rule draw_picture as (\w+)", text, re.MULTILINE):
        found[rule] = found["draw_picture"]
    assert {"measure", "share_master", "draw_picture", "draw_picture_tiff"} <= set(found)
    for rule, script in found.items():
        assert Product("a", rule, "", "", ()).step == script


def test_rules_name_their_own_product():
    """What an input is made into, and what a newer file is for, is the output of the same rule."""
    counted = 0
    for path in sorted(RULES.glob("*.smk")):
        text = path.read_text(encoding="utf-8")
        for block in re.split(r"^ *(?=(?:use )?rule \w+)", text, flags=re.MULTILINE)[1:]:
            output = re.search(r'\boutput:\s+(?:report\(\s*)?("[^"]+")', block)
            named = re.findall(r'(?:\bof=|plans\.newer\()("[^"]+")', block)
            assert output is not None
            assert set(named) <= {output[1]}, block.partition(":")[0]
            counted += len(named)
    assert counted > 60
