"""What charts say in words and show in SVG: habits, steadiness, capability, gauge; nothing by colour alone."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from placecheck.answer import JUDGED, MEASURE_BY_NAME
from placecheck.quality.charts_svg import BLUE, VERMILION, bars_svg, individuals_svg
from placecheck.quality.first_pass import Fault
from placecheck.quality.gauge import gauge_share
from placecheck.quality.stream import (
    Point,
    aim_of,
    capability_sentence,
    gauge_sentence,
    habit_of,
    habit_sentence,
    look_at,
    t_quantile,
)
from placecheck.records.overview import fault_words

SVG = "{http://www.w3.org/2000/svg}"


def points(values, low=-3.0, high=3.0, u=0.2):
    return [
        Point(i + 1, f"2026-{3 + i // 28:02d}-{1 + i % 28:02d}T10:00:00.000000Z", float(v), u, low, high)
        for i, v in enumerate(values)
    ]


def normal(n, mean, s, seed=1):
    x = np.random.default_rng(seed).standard_normal(n)
    return mean + s * (x - x.mean()) / x.std(ddof=1)  # exactly this mean and standard deviation


def test_a_steady_two_millimetres_to_the_left_is_a_habit():
    stream = look_at("offset_mm", "Ada", points(normal(60, -2.0, 0.7)), maker="Ada")
    assert stream.habit.bias == pytest.approx(-2.0)
    # 95 % t interval of the mean: 2.0 +- 2.0010 * 0.7 / sqrt(60) (t tables: 2.0010 for 59 degrees of freedom)
    assert stream.habit.low == pytest.approx(-2.0 - 2.0010 * 0.7 / 60**0.5, abs=1e-4)
    text = " ".join(stream.sentences)
    assert "2.0 mm to the wearer's left on average (95 % sure of 1.8 to 2.2 mm): a habit, not chance." in text
    assert "Tell Ada to pin that much further right." in text


def test_t_quantile():
    # Student's t, any table: 95 % two-sided
    for df, t in ((4, 2.776), (9, 2.262), (59, 2.001), (120, 1.980)):
        assert t_quantile(0.975, df) == pytest.approx(t, abs=5e-4)


def test_no_habit_from_chance_or_from_next_to_nothing():
    assert habit_of(normal(60, 0.3, 0.7), 0.0, -3, 3) is None  # real, but a tenth of the tolerance
    assert habit_of(normal(6, 1.0, 2.0), 0.0, -3, 3) is None  # large, but chance
    assert habit_of([2.0, 2.1, 2.0, 2.05], 0.0, -3, 3) is None  # too few
    assert habit_of(normal(60, 1.0, 0.7), 0.0, -3, 3) is not None
    # a quarter of the half tolerance is worth a word
    assert habit_of(normal(60, 0.74, 0.7), 0.0, -3, 3) is None
    assert habit_of(normal(60, -0.76, 0.7), 0.0, -3, 3) is not None


def test_habits_are_seldom_seen_where_there_is_none():
    rng = np.random.default_rng(4)
    seen = sum(habit_of(rng.normal(0, 1.0, 10), 0.0, -3, 3) is not None for _ in range(2000))
    assert seen / 2000 <= 0.05


@pytest.mark.parametrize(
    ("measure", "bias", "where", "do"),
    [
        ("offset_mm", 1.5, "to the wearer's right", "pin that much further left"),
        ("skew_deg", -1.2, "to the left", "turn the closure that much further right"),
        ("clearance_centre_mm", -2.0, "less than aimed at", "bring the hairline that much further forward"),
        ("front_corner_asymmetry_mm", 3.0, "wider on the right", "the right one sits too far out"),
        ("cap_shift_mm", 1.5, "to the wearer's right", "set the cap that much further left"),
        ("cap_turn_deg", -1.2, "1.2° to the left", "turn the cap's front that much further right"),
        ("back_seams_mm", 3.0, "wider on the right", "draw the cap half of that to the left behind"),
        ("temple_rim_mm", -2.0, "higher on the left", "edge down by half of that at the left temple"),
        ("stitch_spacing_mean_mm", 1.5, "more than aimed at", "sew that much closer"),
    ],
)
def test_habit_sentences(measure, bias, where, do):
    stream = look_at(measure, "Noor", points(normal(40, bias + aim_of(measure, -4, 4, 10.0), 0.3), -4, 4))
    said = habit_sentence(measure, stream.habit, "Noor")
    assert where in said
    assert do in said


@pytest.mark.parametrize("spec", [spec for spec in MEASURE_BY_NAME.values() if spec.judged], ids=lambda spec: spec.name)
def test_faults_of_signed_measures_name_their_side(spec):
    below, above = (fault_words(Fault(spec.name, side, 1, 1.0)).removeprefix(f"{spec.label}: ") for side in (-1, 1))
    if spec.name.startswith(("clearance", "stitch_spacing")):
        assert (below, above) == ("too little", "too much")
    else:
        assert "left" in below
        assert above == below.replace("left", "right")


def test_aims():
    assert aim_of("clearance_centre_mm", 6, 13, 10.0) == 10.0
    assert aim_of("clearance_centre_mm", 6, 13, 8.0) == 8.0
    assert aim_of("clearance_left_mm", 2, 5, 10.0) == 3.5
    assert aim_of("offset_mm", -3, 3, 10.0) == 0.0
    assert aim_of("offset_mm", -2, 5, 10.0) == 0.0  # as the advice has it, which a habit must not contradict
    assert aim_of("offset_mm", 1, 5, 10.0) == 3.0
    assert aim_of("stitch_spacing_mean_mm", 2, 10, 10.0) == 6.0


def test_a_hairline_where_the_shop_aims_is_no_habit():
    at_eight = points(normal(40, 8.0, 0.5), 6, 13)
    assert look_at("clearance_centre_mm", "Ada", at_eight, 8.0).habit is None
    assert look_at("clearance_centre_mm", "Ada", at_eight, 10.0).habit.bias == pytest.approx(-2.0)
    # limits that were changed meanwhile count as they are now
    stream = look_at("offset_mm", "Ada", [*points(normal(20, 3.0, 0.5)), *points(normal(20, 3.0, 0.5), 1.0, 5.0)])
    assert (stream.low, stream.high, stream.aim, stream.habit) == (1.0, 5.0, 3.0, None)


def test_capability_only_from_enough_placements_and_with_doubt_where_unsteady():
    few = look_at("offset_mm", "", points(normal(49, 0, 0.5)))
    assert few.capability is None
    assert any("from 50 placements on; there are 49" in s for s in few.sentences)
    many = look_at("offset_mm", "", points(normal(50, 0, 0.5)))
    assert many.capability.cp == pytest.approx(2.0)
    shifted = look_at("offset_mm", "", points([*normal(40, -1, 0.4), *normal(40, 1, 0.4)]))
    assert not shifted.chart.steady
    assert "describes these placements, not the next ones" in capability_sentence(shifted.capability, False)


@pytest.mark.parametrize(
    ("mean", "s", "words"),
    [
        (0.0, 0.5, "fits inside the tolerance"),
        (2.0, 0.5, "mend the aim, not the hand"),
        (0.0, 1.6, "expect placements outside the tolerance, since the usual spread is wider"),
        # it may be no wider, only far off the middle
        (2.0, 0.95, "expect placements outside the tolerance: tolerance over spread, Cp, 1.05"),
        (0.0, 1.0, "cannot be told yet"),
    ],
)
def test_capability_words(mean, s, words):
    stream = look_at("offset_mm", "", points(normal(60, mean, s)))
    assert words.lower() in capability_sentence(stream.capability, True).lower()


@pytest.mark.parametrize("figure", [0.1, -1.7, 9.3])
def test_placements_that_all_read_the_same_have_no_capability(figure):
    assert look_at("offset_mm", "", points([figure] * 60)).capability is None


def test_gauge_words():
    x = normal(40, 0, 1.0)
    # 10 % and 30 % are the bounds of AIAG's Measurement Systems Analysis
    placing, enough, photo = "what varies is the placing", "good enough", "may be the photo"
    for u, words in ((0.05, placing), (0.095, placing), (0.105, enough), (0.295, enough), (0.305, photo), (0.6, photo)):
        assert words in gauge_sentence(gauge_share(x, np.full(40, u)), "mm")


@pytest.mark.parametrize(
    ("measure", "mean", "where"),
    [
        ("offset_mm", -2.0, "between 3.7 mm left and 0.3 mm left"),
        ("skew_deg", 0.5, "between 1.2° left and 2.2° right"),
        ("clearance_centre_mm", 9.5, "between 7.8 mm and 11.2 mm"),
    ],
)
def test_where_placements_will_fall_names_sides_as_the_answer_does(measure, mean, where):
    """A maker reads no minus as the wearer's left."""
    steady = [mean + 0.3 * (-1) ** i for i in range(20)]  # moving ranges all 0.6: sigma 0.532, k of 20 values 3.227
    stream = look_at(measure, "Ada", points(steady))
    assert where in stream.sentences[0]


@pytest.mark.parametrize(
    "values",
    [[5.0], [5.0] * 8, normal(12, 5.0, 0.5), normal(60, 5.0, 0.5), normal(60, 5.0, 4.0), [*normal(30, 5.0, 0.1), 9.0]],
)
def test_a_row_of_stitches_is_no_placement(values):
    stream = look_at("stitch_spacing_mean_mm", "Ada", points(values, 2.0, 10.0), maker="Ada")
    told = " ".join(stream.sentences) + individuals_svg(stream)
    assert "seam" in told
    assert "plac" not in told


def test_what_varies_of_a_seam_is_the_sewing():
    told = look_at("stitch_spacing_mean_mm", "", points(normal(60, 5.0, 4.0), 2.0, 10.0)).sentences
    assert told[-1].endswith("what varies is the sewing.")


def test_few_placements_are_called_few():
    assert "the usual spread is told after 4 more" in look_at("offset_mm", "", points([0.1])).sentences[0]
    assert (
        "provisional: from 12 placements, trusted from 20"
        in look_at("offset_mm", "", points(normal(12, 0, 1))).sentences[0]
    )
    assert "read the same" in look_at("offset_mm", "", points([1.0] * 8)).sentences[0]


@pytest.mark.parametrize(
    ("measure", "by", "words"),
    [
        ("offset_mm", -1.6, "from 2026-03-21 on they lie 1.6 mm further to the wearer's left than before, on average"),
        ("skew_deg", 1.2, "from 2026-03-21 on they lie 1.2° further to the right than before, on average"),
        ("clearance_centre_mm", -2.0, "from 2026-03-21 on they lie 2.0 mm less than before, on average"),
        ("front_corner_asymmetry_mm", 2.5, "from 2026-03-21 on they lie 2.5 mm further right than before, on average"),
        ("cap_shift_mm", -1.6, "from 2026-03-21 on they lie 1.6 mm further to the wearer's left than before"),
        ("temple_rim_mm", 2.0, "from 2026-03-21 on they lie 2.0 mm higher on the right than before, on average"),
        ("stitch_spacing_mean_mm", -2.0, "from 2026-03-21 on they lie 2.0 mm less than before, on average"),
    ],
)
def test_a_shift_is_told_with_its_day_and_its_side(measure, by, words):
    said = look_at(measure, "Ada", points([*normal(20, 9, 0.3), *normal(20, 9 + by, 0.3)], 6, 13)).sentences[0]
    assert said.startswith(f"Not steady: {words}")
    assert "A steady hand, too, is called not steady in up to 7 of 100 such charts." in said


def test_an_outsider_is_told_with_its_day():
    calm = list(normal(40, 0, 0.3, 2))
    one = look_at("offset_mm", "", points([*calm, 2.4])).sentences[0]
    assert one.startswith("Not steady: one placement lies far outside the usual spread, on 2026-04-13; look for")
    two = look_at("offset_mm", "", points([2.5, *calm, 2.4])).sentences[0]
    assert "2 placements lie far outside the usual spread, the latest on 2026-04-14;" in two


# ----------------------------------------------------------------------------- pictures


def drawn(svg: str) -> ET.Element:
    return ET.fromstring(svg)


def texts(root: ET.Element) -> list[str]:
    return [t.text for t in root.iter(f"{SVG}text")]


def test_chart_shows_limits_signals_and_outsiders_by_shape():
    values = [*normal(30, 0.0, 0.6), 4.2, 0.1]
    stream = look_at("offset_mm", "Ada", points(values))
    root = drawn(individuals_svg(stream))
    said = texts(root)
    for label in ("limit -3", "limit 3", "placement", "signals", "outside tolerance", "from one to the next, mm"):
        assert label in said, label
    assert "dashed: the usual spread" in said
    assert sum(t.startswith("usual ") for t in said) == 3  # below, above, and that of the ranges
    assert sum(t.startswith("mean ") for t in said) == 2
    groups = [g for g in root.iter(f"{SVG}g")]
    by_title = {}
    for g in groups:
        by_title.setdefault(g.find(f"{SVG}title").text, []).append(g)
    (wild,) = (gs for title, gs in by_title.items() if "4.20 mm, U95" in title and "outside" not in title)
    diamonds = [p for p in wild[0].iter(f"{SVG}path") if p.get("stroke") == VERMILION]
    assert diamonds  # the signal is a diamond ...
    crosses = [gs for title, gs in by_title.items() if title.endswith("outside the tolerance")]
    assert len(crosses) == 1  # ... and, being outside, a cross as well
    plain = [c for c in root.iter(f"{SVG}circle") if c.get("fill") == BLUE]
    assert len(plain) >= 30
    # the photo's uncertainty beside the spread: 4 x 0.2 mm against a tolerance of 6 mm
    assert "photo alone, 95 %: 0.8 mm" in said
    bars = [float(r.get("width")) for r in root.iter(f"{SVG}rect")]
    assert bars[2] / bars[0] == pytest.approx(0.8 / 6.0, rel=0.01)
    dashes = {p.get("stroke-dasharray") for p in root.iter(f"{SVG}path") if p.get("stroke-dasharray")}
    assert dashes == {"1 3", "7 4"}  # tolerances dotted, limits dashed


@pytest.mark.parametrize("values", [[-1.4], [0.0, 1.0, -1.0, 0.5]])
def test_too_few_placements_are_points_and_how_many_are_wanted(values):
    """The mean of one, and the ranges of two, say nothing."""
    svg = individuals_svg(look_at("offset_mm", "Ada", points(values)))
    said = texts(drawn(svg))
    assert {"dotted: the limits", "dashed, from 5 placements on: the usual spread"} <= set(said)
    assert not any(t.startswith(("mean", "usual", "from one to the next")) for t in said)
    assert svg.count("<circle") == len(values) + 2  # the points, and the key's
    early = texts(drawn(individuals_svg(look_at("offset_mm", "Ada", points(normal(12, 0, 1))))))
    assert "dashed: the usual spread (provisional: 12 of 20)" in early


def test_chart_needs_no_style_sheet_and_speaks_to_screen_readers():
    stream = look_at("skew_deg", "A & B <x>", points(normal(25, 0, 0.4, 3), -2, 2))
    svg = individuals_svg(stream)
    assert "style" not in svg
    assert "script" not in svg
    root = drawn(svg)
    assert root.get("role") == "img"
    assert "A & B <x>" in root.get("aria-label")
    assert root.find(f"{SVG}title").text
    assert root.find(f"{SVG}desc").text == " ".join(stream.sentences)
    assert root.find(f"{SVG}desc").text.startswith("Steady: ")
    shaken = individuals_svg(look_at("skew_deg", "", points([*normal(25, 0, 0.4, 3), 4.0], -2, 2)))
    assert drawn(shaken).find(f"{SVG}desc").text.startswith("Not steady: ")
    assert root.get("viewBox").startswith("0 0 360 ")
    assert min(float(t.get("font-size")) for t in root.iter(f"{SVG}text")) >= 12  # letters on a 360 px phone


def test_colours_stand_out_on_light_and_dark():
    """Blue and vermilion stand out from white and from black paper (WCAG 2.2, 1.4.11: 3:1); shapes do the rest."""

    def luminance(colour: str) -> float:
        parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    for colour in (BLUE, VERMILION):
        light = luminance(colour)
        assert 1.05 / (light + 0.05) >= 3
        assert (light + 0.05) / (luminance("#171614") + 0.05) >= 3


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(-20, 20), min_size=1, max_size=120))
def test_everything_stays_inside_the_picture(values):
    root = drawn(individuals_svg(look_at("offset_mm", "x", points(values))))
    width, height = (float(v) for v in root.get("viewBox").split()[2:])
    for circle in root.iter(f"{SVG}circle"):
        assert 0 <= float(circle.get("cx")) <= width
        assert 0 <= float(circle.get("cy")) <= height
    for text in root.iter(f"{SVG}text"):
        assert 0 < float(text.get("x")) < width
        assert 0 < float(text.get("y")) < height
    labels = sorted(float(t.get("y")) for t in root.iter(f"{SVG}text") if float(t.get("x")) > width - 80)
    upper = [y for y in labels if y < 230]
    assert all(b - a >= 12.9 for a, b in pairwise(upper))  # no label covers another


def test_long_names_are_cut_and_cover_nothing():
    words = "32 of 45 (71 %), 3 undecided"
    for name in ("N" * 200, "Wilhelmine von der Höhe zu Unterwaldkirchen", "頭" * 40):
        (_, shown, _), title = texts(drawn(bars_svg("Yield", [(name, 0.5, words, None)]))), name
        assert shown.endswith("…")
        assert len(shown) * 6 + len(words) * 6 < 344
        svg = drawn(individuals_svg(look_at("clearance_centre_mm", title, points([9.0], 6, 13))))
        assert texts(svg)[0].endswith("…")
        assert len(texts(svg)[0]) * 6 < 352
        assert name in svg.get("aria-label")
    for fault in (Fault(m, side, 120, 1.0) for m in JUDGED for side in (-1, 1)):
        assert fault_words(fault) in texts(drawn(bars_svg("Faults", [(fault_words(fault), 1.0, "120", None)])))
    assert "Tomma" in texts(drawn(bars_svg("Yield", [("Tomma", 0.5, words, None)])))


def test_bars():
    svg = bars_svg("Yield", [("Ada", 0.5, "2 of 4 (50 %)", (0.15, 0.85)), ("B<", 0.0, "0 of 3", None)])
    root = drawn(svg)
    assert "2 of 4 (50 %)" in texts(root)
    filled = [float(r.get("width")) for r in root.iter(f"{SVG}rect") if r.get("fill") == BLUE]
    assert filled == [pytest.approx(0.5 * 344), 0.0]
    assert len(re.findall('stroke-width="2"', svg)) == 1
