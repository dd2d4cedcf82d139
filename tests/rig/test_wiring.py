"""The wiring of a rig: a drawing that is sound XML, and names what is plugged in."""

from dataclasses import replace
from xml.etree import ElementTree

import pytest

from sigbench.model import RigSetup
from sigbench.rig.wiring import Plugging, plugging_words, wiring

SVG = "{http://www.w3.org/2000/svg}"
SETUP = RigSetup("bench", "Line box", "ALSA", 48_000, (3, 4), (5, 6))
STEPS = (
    Plugging("sources"),
    Plugging("loop"),
    Plugging("shorted"),
    Plugging("meter", 1),
    Plugging("meter", 2),
    Plugging("meter", 2, loaded=True),
)


def drawn(step, setup=SETUP):
    """The drawing as a tree; this is where unsound XML fails."""
    return ElementTree.fromstring(wiring(step, setup))


def texts(tree):
    return [text.text for text in tree.iter(f"{SVG}text")]


def paths(tree, kind):
    return [path.get("d") for path in tree.iter(f"{SVG}path") if path.get("class") == kind]


@pytest.mark.parametrize("step", STEPS)
def test_every_channel_is_named(step):
    assert {"output 5", "output 6", "input 3", "input 4"} <= set(texts(drawn(step)))


@pytest.mark.parametrize("step", STEPS)
def test_it_is_read_aloud(step):
    tree = drawn(step)
    named = tree.get("aria-labelledby").split()
    found = {child.get("id"): child.text for child in tree if child.get("id")}
    assert tree.get("role") == "img"
    assert list(found) == named
    assert found[named[0]] == "Wiring of bench"
    assert found[named[1]] == plugging_words(step, SETUP)


@pytest.mark.parametrize("step", STEPS)
def test_its_look_is_the_pages(step):
    """The page's policy allows no styles within it, and a colour of its own would fit one look."""
    for element in drawn(step).iter():
        assert element.get("style") is None
        assert element.get("fill") in (None, "none", "currentColor")
        assert element.get("stroke") in (None, "none", "currentColor")


@pytest.mark.parametrize("name", ["<b>x</b> & 'y' \"z\"", "a\x00b\x1b", "]]>", "x" * 500])
def test_a_name_is_nothing_but_text(name):
    tree = drawn(Plugging("loop"), replace(SETUP, name=name))
    assert {child.tag.removeprefix(SVG) for child in tree.iter()} <= {
        *("svg", "title", "desc", "rect", "text", "circle", "path")
    }
    plain = "".join(c if c.isprintable() else " " for c in name)
    assert tree.find(f"{SVG}title").text == f"Wiring of {plain}"
    assert texts(tree)[0][:30] == plain[:30]
    assert len(texts(tree)[0]) < 40


def test_cables_go_from_output_to_input():
    assert len(paths(drawn(Plugging("loop")), "cable")) == 2
    assert len(paths(drawn(Plugging("loop"), replace(SETUP, inputs=(1,))), "cable")) == 1
    assert "output 5 into input 3, output 6 into input 4" in plugging_words(Plugging("loop"), SETUP)


def test_the_meter_has_two_leads_at_one_output():
    first, second = (drawn(Plugging("meter", k)) for k in (1, 2))
    assert len(paths(first, "lead")) == len(paths(second, "lead")) == 2
    assert len(paths(first, "cable")) == 1
    assert paths(first, "cable") != paths(second, "cable")
    assert "output 6 only" in plugging_words(Plugging("meter", 2), SETUP)
    assert "input 4" in plugging_words(Plugging("meter", 2, loaded=True), SETUP)


def test_shorted_plugs_are_in_every_input():
    tree = drawn(Plugging("shorted"))
    assert texts(tree).count("shorted") == 2
    assert paths(tree, "cable") == []
    assert "into inputs 3 and 4." in plugging_words(Plugging("shorted"), SETUP)
    many = replace(SETUP, inputs=(1, 2, 3))
    assert "into inputs 1, 2 and 3." in plugging_words(Plugging("shorted"), many)
    one = replace(SETUP, inputs=(8,))
    assert "into input 8." in plugging_words(Plugging("shorted"), one)


def test_the_pilot_stays():
    tree = drawn(Plugging("shorted"), replace(SETUP, pilot=(8, 7)))
    assert {"output 8", "input 7", "pilot"} <= set(texts(tree))
    assert "output 8 into input 7" in tree.find(f"{SVG}desc").text
    assert len(paths(tree, "pilot")) == 1


def test_nothing_is_drawn_outside():
    wide = replace(SETUP, inputs=tuple(range(1, 33)), outputs=(1,))
    for step in (*STEPS[:4], Plugging("meter", 1, loaded=True)):
        tree = drawn(step, wide)
        _, _, width, height = map(float, tree.get("viewBox").split())
        for text in tree.iter(f"{SVG}text"):
            assert 0 < float(text.get("x")) < width
            assert 0 < float(text.get("y")) < height
