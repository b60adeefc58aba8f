import pytest

from platefiles.core.errors import UserError
from platefiles.rule_files.rule_text import rule_texts
from platefiles.rule_inputs.declared import FrameLinks, Newer
from platefiles.rule_inputs.project_wildcards import Wildcards
from platefiles.workflow import makers
from platefiles.workflow.graph import products_of, targets_of


def test_declarations_name_the_product_of_their_own_rule():
    """What an input is made into, and what a newer file is for, is the output of its rule."""
    counted = 0
    for rule in rule_texts().values():
        if rule.output is None or "shared" in rule.output.wildcards:
            continue
        for expression in rule.inputs.values():
            one = makers._evaluated(expression, rule.file)
            consumer = one.path if isinstance(one, Newer) else getattr(one, "consumer", "")
            assert consumer in ("", rule.output.text), rule.name
            counted += bool(consumer)
    assert counted > 60


def test_stages_are_rules_that_make_nothing():
    """`all` asks for what the others but `blink` ask for, each file once."""
    assert set(makers.stages()) == {"channels", "picture", "field", "blink", "all"}
    asked = [makers.stages()[name] for name in ("channels", "picture", "field")]
    assert makers.stages()["all"] == sum(asked, ())


def test_animations_are_products_where_they_are_asked_for_or_exist(plan_of, tmp_path, monkeypatch):
    """`all` makes none; `blink` makes two of each channel, of its frames; existing ones count."""
    monkeypatch.chdir(tmp_path)
    plan = plan_of()
    asked = products_of(plan, "picture", "blink")
    paths = targets_of(plan, "blink")
    assert len(paths) == 2 * len(plan.channels)
    assert {asked[path].inputs for path in paths} == {
        (plan.paths.frames(channel),) for channel in plan.channels
    }
    assert not any("blink" in path for path in products_of(plan, "all"))
    existing = tmp_path / paths[0]
    existing.parent.mkdir(parents=True)
    existing.touch()
    found = [path for path in products_of(plan) if "blink" in path]
    assert found == [asked[paths[0]].inputs[0], paths[0]]


def test_without_a_run_a_declaration_answers_nobody():
    """Declarations that are only read do not pretend to know what a run makes."""
    links = FrameLinks(lambda plan, wildcards: [], False, None)
    with pytest.raises(RuntimeError, match="belongs to no run"):
        links(Wildcards(project="tiny"))


def test_every_product_comes_after_those_it_is_made_from(plan_of):
    """A product is made by one rule, from products that stand before it; targets are among them."""
    plan = plan_of(overrides={"seeing": {"match": True}}, keep_subs=["registered"])
    products = products_of(plan)
    seen: set[str] = set()
    for path, product in products.items():
        assert seen.issuperset((*product.inputs, *product.consulted)), path
        seen.add(path)
        assert product.step and product.log and product.benchmark
    assert set(targets_of(plan, "all")) <= seen
    assert {"match_channel", "register_sub", "choose_reference"} <= {
        product.rule for product in products.values()
    }


def test_what_waits_for_the_grid_is_what_is_made_from_it(plan_of):
    """Without a lock file, masters and measures have their jobs, and all behind the grid waits."""
    waiting = {product.rule: product.waits for product in products_of(plan_of()).values()}
    now = {rule for rule, waits in waiting.items() if not waits}
    assert now == {"master_bias", "master_dark", "master_flat", "measure_stars", "choose_reference"}


def test_channels_that_no_rule_makes_are_refused(plan_of):
    """A channel without continuum has no line image, with the reason in a sentence."""
    plan = plan_of()
    maker, wildcards = makers.maker_of(plan, "results/tiny/lines/g.fits")
    with pytest.raises(UserError, match="takes no starlight out of channel 'g'"):
        [one.products(plan, wildcards) for one in maker.inputs]
