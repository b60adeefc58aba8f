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
    for rule in re.findall(r"^use rule composite as (\w+)", text, re.MULTILINE):
        found[rule] = found["composite"]
    assert {"measure", "share_master", "composite", "composite_tiff"} <= set(found)
    for rule, script in found.items():
        assert Product("a", rule, "", "", ()).step == script
