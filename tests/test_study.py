"""Gauge studies: published data and an independent library, sheets that are wrong, plans, sentences, the picture."""

from __future__ import annotations

import contextlib
import itertools
import json
import math
import re
import xml.etree.ElementTree as ET
from pathlib import Path

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from placecheck.answer import MEASURE_BY_NAME
from placecheck.cli import run
from placecheck.errors import UsageProblem
from placecheck.study.anova import analyse
from placecheck.study.distributions import chi2_quantile, f_tail, incomplete_beta, incomplete_gamma
from placecheck.study.picture import COLOURS, SHAPES, WIDTH, look_of, study_svg
from placecheck.study.plan import make_plan, names, plan_csv
from placecheck.study.readings import answer_readings, read_answers, read_sheet, typed_readings
from placecheck.study.verdict import bench_sentence, categories, cause, class_of, sentence

# AIAG Measurement Systems Analysis, 4th ed., the gauge study of appendix A: 10 parts (lines) x operators A | B | C x 3
# trials; the figures below are those the manual prints for it (%tolerance for a tolerance 8 wide, and the sums of
# squares, as two independent public test suites quote them)
AIAG = """
 .29  .41  .64 |  .08  .25  .07 |  .04 -.11 -.15
-.56 -.68 -.58 | -.47 -1.22 -.68 | -1.38 -1.13 -.96
1.34 1.17 1.27 | 1.19  .94 1.34 |  .88 1.09  .67
 .47  .50  .64 |  .01 1.03  .20 |  .14  .20  .11
-.80 -.92 -.84 | -.56 -1.20 -1.28 | -1.46 -1.07 -1.45
 .02 -.11 -.21 | -.20  .22  .06 | -.29 -.67 -.49
 .59  .75  .66 |  .47  .55  .83 |  .02  .01  .21
-.31 -.20 -.17 | -.63  .08 -.34 | -.46 -.56 -.49
2.26 1.99 2.01 | 1.80 2.12 2.19 | 1.77 1.45 1.87
-1.36 -1.25 -1.31 | -1.68 -1.62 -1.50 | -1.49 -1.77 -2.16
"""
# Vardeman and VanValkenburg, Technometrics 41 (1999): 5 operators x 2 parts x 3 repeats; in lines of (repeat, part)
VARDEMAN = """
3.481 3.448 3.485 3.475 3.472
3.258 3.254 3.256 3.249 3.241
3.477 3.472 3.464 3.472 3.470
3.254 3.247 3.257 3.238 3.250
3.470 3.470 3.477 3.473 3.474
3.258 3.239 3.245 3.240 3.254
"""


def aiag() -> np.ndarray:
    rows = [[[float(v) for v in cell.split()] for cell in line.split("|")] for line in AIAG.strip().splitlines()]
    return np.array(rows)  # (10 parts, 3 operators, 3 trials)


def vardeman() -> np.ndarray:
    x = np.array([[float(v) for v in line.split()] for line in VARDEMAN.strip().splitlines()])
    return x.reshape(3, 2, 5).transpose(1, 2, 0)


# ----------------------------------------------------------------------------- published figures


def test_aiag_table():
    block, maker, cross, repeats, total = analyse(aiag()).table
    assert [r.ss for r in (block, maker, cross, repeats, total)] == pytest.approx(
        [88.3619, 3.1673, 0.3590, 2.7589, 94.6471], abs=5e-5
    )
    assert [r.df for r in (block, maker, cross, repeats, total)] == [9, 2, 18, 60, 89]
    assert cross.f == pytest.approx(0.434, abs=5e-4)
    assert cross.p == pytest.approx(0.974, abs=5e-4)


def test_aiag_components():
    study = analyse(aiag(), tolerance=(-4.0, 4.0))
    assert study.pooled
    assert study.ev == pytest.approx(0.199933, abs=5e-7)
    assert study.av == pytest.approx(0.226838, abs=5e-7)
    assert study.grr == pytest.approx(0.302373, abs=2e-6)
    assert study.pv == pytest.approx(1.042327, abs=5e-7)
    assert study.tv == pytest.approx(1.085, abs=5e-4)
    assert study.interaction == 0
    shares = [study.percent_of_tv(s) for s in (study.grr, study.ev, study.av, study.pv)]
    assert shares == pytest.approx([27.86, 18.42, 20.90, 96.04], abs=0.006)
    contributions = [100 * (s / study.tv) ** 2 for s in (study.ev, study.av, study.grr, study.pv)]
    assert contributions == pytest.approx([3.4, 4.4, 7.8, 92.2], abs=0.06)
    assert study.percent_of_tolerance(study.grr) == pytest.approx(22.68, abs=0.005)
    assert study.ndc_exact == pytest.approx(4.861, abs=0.001)
    assert study.ndc == 4


def test_aiag_with_the_interaction_kept():
    study = analyse(aiag(), pool_above=1.0)
    assert not study.pooled
    assert study.ev == pytest.approx(0.214435, abs=5e-7)  # printed with the interaction kept
    assert study.interaction == 0  # its mean square is below that of the repeats: no component


def simulated() -> np.ndarray:
    """A bench with an interaction that is kept."""
    rng = np.random.default_rng(5)
    return rng.normal(0, 1, (6, 1, 1)) + rng.normal(0, 0.4, (6, 4, 1)) + rng.normal(0, 0.2, (6, 4, 3))


@pytest.mark.parametrize("data", [aiag, vardeman, simulated])
@pytest.mark.parametrize("pool_above", [0.25, 1.0])
def test_against_an_independent_library(data, pool_above):
    capstat = pytest.importorskip("capstat_core", reason="capstat-core is not installed: pip install capstat-core")
    values = data()
    study = analyse(values, pool_above=pool_above)
    other = capstat.gage_rr(values, interaction_alpha=pool_above)
    assert study.p_interaction == pytest.approx(other.interaction_pvalue, rel=1e-8)
    assert study.pooled != other.interaction_included
    found = (study.ev**2, study.av**2, study.interaction**2, study.pv**2)
    there = (other.var_repeatability, other.var_operator, other.var_interaction, other.var_part)
    assert found == pytest.approx(there, rel=1e-8, abs=1e-15)


def test_simulated_interaction_is_kept():
    assert not analyse(simulated()).pooled
    assert analyse(simulated()).interaction == pytest.approx(0.4, abs=0.2)


def test_sums_of_squares_against_scipy_linear_algebra():
    # the same split by least squares on indicator columns, each sum of squares a fall of the residual
    scipy_linalg = pytest.importorskip("scipy.linalg")
    x = vardeman()
    p, o, _r = x.shape
    b, m, _ = np.indices(x.shape)
    y = x.ravel()

    def rest(*columns):
        a = np.concatenate([np.ones((len(y), 1)), *columns], 1)
        fit = a @ scipy_linalg.lstsq(a, y)[0]
        return ((y - fit) ** 2).sum()

    blocks = (b.ravel()[:, None] == np.arange(p)).astype(float)
    makers = (m.ravel()[:, None] == np.arange(o)).astype(float)
    cells = ((b * o + m).ravel()[:, None] == np.arange(p * o)).astype(float)
    none, with_blocks, with_both, with_cells = rest(), rest(blocks), rest(blocks, makers), rest(cells)
    table = analyse(x).table
    assert [r.ss for r in table] == pytest.approx(
        [none - with_blocks, with_blocks - with_both, with_both - with_cells, with_cells, none], rel=1e-8
    )


# ----------------------------------------------------------------------------- distributions


@given(a=st.floats(0.5, 200), b=st.floats(0.5, 200), x=st.floats(0, 1))
@example(a=0.5, b=0.5, x=1 - 2.0**-53)  # where betainc itself is 3e-9 off the arcsine law
def test_incomplete_beta_against_scipy(a, b, x):
    special = pytest.importorskip("scipy.special")
    # scipy near its nought, since close to 1 it loses what 1 - x holds
    true = special.betainc(a, b, x) if x <= 0.5 else 1 - special.betainc(b, a, 1 - x)
    assert incomplete_beta(a, b, x) == pytest.approx(float(true), abs=1e-10)


@pytest.mark.parametrize("x", [1e-12, 0.2, 0.5, 0.999, 1 - 2.0**-53])
def test_incomplete_beta_follows_the_arcsine_law(x):
    """I_x(1/2, 1/2) = 2 / pi asin(sqrt(x)), in closed form."""
    true = 2 / math.pi * math.asin(math.sqrt(x)) if x <= 0.5 else 1 - 2 / math.pi * math.asin(math.sqrt(1 - x))
    assert incomplete_beta(0.5, 0.5, x) == pytest.approx(true, abs=1e-10)


@given(a=st.floats(0.25, 300), x=st.floats(0, 900))
def test_incomplete_gamma_against_scipy(a, x):
    special = pytest.importorskip("scipy.special")
    assert incomplete_gamma(a, x) == pytest.approx(float(special.gammainc(a, x)), abs=1e-10)


@given(p=st.floats(0.001, 0.999), df=st.floats(0.6, 400))
@settings(max_examples=40)
def test_chi2_quantile_against_scipy(p, df):
    stats = pytest.importorskip("scipy.stats")
    assert chi2_quantile(p, df) == pytest.approx(float(stats.chi2.ppf(p, df)), rel=1e-6, abs=1e-9)


def test_distributions_against_printed_tables():
    # any table of the F distribution: F(0.95; 2, 10) = 4.10, F(0.95; 5, 20) = 2.71; chi-squared(0.05; 10) = 3.940
    assert f_tail(4.10, 2, 10) == pytest.approx(0.05, abs=2e-4)
    assert f_tail(2.71, 5, 20) == pytest.approx(0.05, abs=2e-4)
    assert chi2_quantile(0.05, 10) == pytest.approx(3.940, abs=5e-4)
    assert f_tail(0.0, 3, 4) == 1.0
    assert f_tail(math.inf, 3, 4) == 0.0


# ----------------------------------------------------------------------------- properties and extremes


@given(
    shape=st.tuples(st.integers(2, 5), st.integers(2, 4), st.integers(2, 4)),
    seed=st.integers(0, 10**6),
    shift=st.floats(-50, 50),
    scale=st.floats(0.1, 20),
)
@settings(max_examples=60)
def test_a_study_does_not_depend_on_order_zero_or_unit(shape, seed, shift, scale):
    rng = np.random.default_rng(seed)
    x = rng.normal(size=shape) + 2 * rng.normal(size=(shape[0], 1, 1)) + 0.5 * rng.normal(size=(1, shape[1], 1))
    study = analyse(x)
    rows = {r.source: r for r in study.table}
    assert rows["total"].ss == pytest.approx(((x - x.mean()) ** 2).sum())
    assert sum(r.df for r in study.table[:4]) == rows["total"].df
    shuffled = x[rng.permutation(shape[0])][:, rng.permutation(shape[1])][:, :, rng.permutation(shape[2])]
    other = analyse(scale * shuffled + shift)
    for name in ("ev", "av", "interaction", "pv", "grr", "grr_upper"):
        assert getattr(other, name) == pytest.approx(scale * getattr(study, name), rel=1e-6, abs=1e-9 * scale)
    assert other.pooled == study.pooled
    assert study.grr_upper >= study.grr


def test_known_components_are_recovered_and_bounded():
    # 300 simulated studies with EV 0.2, makers 0.3, interaction 0.25, blocks 1: mean variances right, and the 95 %
    # upper limit of GRR above the truth in 95 % of them (285; a binomial count leaves 274..296 at 3 sigma)
    rng = np.random.default_rng(7)
    ev2, av2, int2, covered = [], [], [], 0
    truth = math.sqrt(0.2**2 + 0.3**2 + 0.25**2)
    for _ in range(300):
        x = (
            rng.normal(0, 1, (8, 1, 1))
            + rng.normal(0, 0.3, (1, 6, 1))
            + rng.normal(0, 0.25, (8, 6, 1))
            + rng.normal(0, 0.2, (8, 6, 3))
        )
        study = analyse(x)
        ev2.append(study.ev**2)
        av2.append(study.av**2)
        int2.append(study.interaction**2)
        covered += study.grr_upper >= truth
    assert np.mean(ev2) == pytest.approx(0.04, rel=0.05)
    assert np.mean(av2) == pytest.approx(0.09, rel=0.15)
    assert np.mean(int2) == pytest.approx(0.0625, rel=0.1)
    assert covered >= 274


@pytest.mark.parametrize("scale", [1.0, 0.1, 1e5, 1e-3])
def test_copied_readings_are_told_whatever_their_figures(scale):
    """Means of 0.1 and its like are rounded: what is left of that is no spread."""
    figures = scale * np.array([46.6, 3.1, -8.3, -16.9])
    study = analyse(np.repeat(figures, 6).reshape(4, 3, 2), tolerance=(-10.0, 20.0))
    assert study.grr == 0
    assert study.ndc is None
    assert "copied" in sentence(study)
    assert study.pv == pytest.approx(figures.std(ddof=1))


def test_identical_repeats_and_identical_everything():
    x = np.zeros((3, 2, 2)) + np.array([0.0, 1.0, 2.0])[:, None, None]
    study = analyse(x, tolerance=(-3, 3))
    assert study.grr == 0
    assert study.ndc is None
    assert "copied" in sentence(study)
    assert cause(study) is None
    assert analyse(np.ones((2, 2, 2))).tv == 0
    study = analyse(x + np.array([0.0, 0.4])[None, :, None])  # makers differ, nothing else
    assert study.ev == 0
    assert study.av == pytest.approx(0.4 / math.sqrt(2))


@pytest.mark.parametrize("shape", [(1, 2, 2), (2, 1, 2), (2, 2, 1), (4, 4)])
def test_a_study_needs_two_of_everything(shape):
    with pytest.raises(ValueError, match="at least 2"):
        analyse(np.zeros(shape))


# ----------------------------------------------------------------------------- sentences


def test_sentence_for_a_tolerance_of_3_mm():
    rng = np.random.default_rng(3)

    def bench(ev):
        x = rng.normal(0, 2, (10, 1, 1)) + rng.normal(0, ev, (10, 3, 3))
        return analyse(x, "offset_mm", "mm", tolerance=(-3.0, 3.0))

    assert sentence(bench(0.03)).startswith("Yes: this bench can judge ±3 mm")
    assert sentence(bench(0.2)).startswith("With care: this bench can judge ±3 mm")
    no = bench(0.5)
    assert sentence(no).startswith("No: this bench cannot judge ±3 mm")
    # JCGM 106: a reading 1.645 u inside the limit is taken with a risk of 5 %
    assert f"within {1.645 * no.grr:.2g} mm of a limit" in sentence(no)
    assert bench_sentence([bench(0.03), no]).startswith("By the least certain length (off centre). No")
    assert bench_sentence([analyse(aiag(), "skew_deg", "deg")]) is None


def test_small_study_says_what_it_cannot_exclude():
    rng = np.random.default_rng(1)
    x = rng.normal(0, 2, (2, 1, 1)) + rng.normal(0, 0.07, (2, 2, 2)) + np.array([0, 0.05])[None, :, None]
    study = analyse(x, "offset_mm", "mm", tolerance=(-3.0, 3.0))
    assert "95 % upper limit" in sentence(study)


@pytest.mark.parametrize(("percent", "found"), [(9.99, "yes"), (10.0, "with care"), (30.0, "with care"), (30.1, "no")])
def test_classes_of_aiag(percent, found):
    # AIAG MSA, chapter II D: under 10 % acceptable, 10 to 30 % may be acceptable, over 30 % not acceptable
    assert class_of(percent) == found


def test_categories_and_cause():
    assert "4 categories" in categories(analyse(aiag()))
    assert "between the makers" in cause(analyse(aiag()))
    rng = np.random.default_rng(2)
    assert "repeatability" in cause(analyse(rng.normal(0, 1, (6, 3, 3))))


# ----------------------------------------------------------------------------- sheets


def sheet_of(values: np.ndarray, path, column="offset_mm", separator=",", comma=False):
    lines = [separator.join(["maker", "block", "repeat", column])]
    for b in range(values.shape[0]):
        for m in range(values.shape[1]):
            for r in range(values.shape[2]):
                text = f"{values[b, m, r]:.4f}"
                lines.append(
                    separator.join(
                        ["ABCDE"[m], f"block {b + 1}", str(r + 1), text.replace(".", ",") if comma else text]
                    )
                )
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


@pytest.mark.parametrize(("separator", "comma"), [(",", False), (";", True), ("\t", True)])
def test_sheet_as_spreadsheets_write_it(tmp_path, separator, comma):
    sheet = read_sheet(sheet_of(aiag(), tmp_path / "s.csv", separator=separator, comma=comma))
    readings, problems = typed_readings(sheet)
    assert problems == []
    assert readings[0].unit == "mm"
    assert readings[0].values == pytest.approx(aiag(), abs=1e-4)
    assert sheet.makers == ("A", "B", "C")


def test_order_of_lines_does_not_matter(tmp_path):
    path = sheet_of(aiag(), tmp_path / "s.csv")
    head, *lines = path.read_text().splitlines()
    rng = np.random.default_rng(0)
    path.write_text("\ufeff" + "\n".join([head, *[lines[i] for i in rng.permutation(len(lines))], "", " , ,, "]))
    assert analyse(typed_readings(read_sheet(path))[0][0].values).grr == pytest.approx(0.302373, abs=2e-6)


def test_repeats_may_go_without_number(tmp_path):
    path = tmp_path / "s.csv"
    path.write_text("maker,block,offset_mm\n" + "".join(f"{m},{b},{i}\n" for i in (1, 2) for m in "AB" for b in "xy"))
    sheet = read_sheet(path)
    assert sheet.repeats == 2
    assert typed_readings(sheet)[0][0].values[0, 0] == pytest.approx([1, 2])


GOOD = "maker,block,repeat,offset_mm\n" + "".join(f"{m},{b},{r},1.5\n" for m in "AB" for b in "xy" for r in "12")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "no measurements"),
        ("maker,block\n", "no measurements"),
        ("maker,repeat,offset_mm\nA,1,2\n", "no column “block”"),
        ("maker,block,maker\nA,1,2\n", "there twice"),
        (GOOD.replace("A,x,1,1.5\n", ""), "1 of 8 measurements is missing: A, x, repeat 1"),
        (GOOD + "A,x,1,1.6\n", "A, x, repeat 1 is there twice"),
        (GOOD.replace("A,x,1,1.5", "A,x,1,1.5 mm"), "“1.5 mm” is not a number"),
        (GOOD.replace("A,x,1,1.5", "A,x,1,nan"), "“nan” is not a number"),
        (GOOD.replace("A,x,1,1.5", "A,x,1,"), "1 of 8 readings is missing: A, x, repeat 1"),
        (GOOD.replace("A,x,1,1.5", ",x,1,1.5"), "names no maker"),
        (GOOD.replace("A,x,1,1.5", "A,x,1,1.5,9,9"), "more fields"),
        (GOOD.replace("B,", "A,"), "only one of the makers (“A”)"),
        ("maker,block,repeat,offset_mm\nA,x,1,1\nA,x,2,1\nA,y,1,1\nA,y,2,1\n", "only one of the makers (“A”)"),
        (
            "maker,block,repeat,note\n" + "".join(f"{m},{b},{r},n\n" for m in "AB" for b in "xy" for r in "12"),
            "no column of values",
        ),
    ],
)
def test_wrong_sheets_get_one_sentence(tmp_path, text, words):
    path = tmp_path / "s.csv"
    path.write_text(text)
    with pytest.raises(UsageProblem) as caught:
        typed_readings(read_sheet(path))
    message = caught.value.problem.message
    assert words in message
    assert message.endswith(".")
    assert "\n" not in message


def test_sheets_that_are_no_text(tmp_path):
    path = tmp_path / "s.csv"
    path.write_bytes(b"\xff\xfe\x00\x01maker")
    with pytest.raises(UsageProblem, match="no text"):
        read_sheet(path)
    with pytest.raises(UsageProblem, match="no study"):
        read_sheet(tmp_path / "none.csv")
    with pytest.raises(UsageProblem, match="cannot be read"):
        read_sheet(tmp_path)


@given(text=st.text(max_size=300))
@settings(max_examples=150, deadline=None)
def test_any_text_is_read_or_refused(tmp_path_factory, text):
    path = tmp_path_factory.getbasetemp() / "any.csv"
    path.write_text(text, encoding="utf-8", errors="replace")
    with contextlib.suppress(UsageProblem):  # and nothing else
        typed_readings(read_sheet(path))


def test_incomplete_measure_is_left_out_and_the_others_go_on(tmp_path):
    path = tmp_path / "s.csv"
    text = "maker,block,repeat,offset_mm,skew_deg\n"
    text += "".join(
        f"{m},{b},{r},{i}.5,{'' if i == 3 else i}\n"
        for i, (m, b, r) in enumerate((m, b, r) for m in "AB" for b in "xy" for r in "12")
    )
    path.write_text(text)
    readings, problems = typed_readings(read_sheet(path))
    assert [r.measure for r in readings] == ["offset_mm"]
    assert problems[0].message == "skew_deg is left out, since 1 of 8 readings is missing: A, y, repeat 2."


# ----------------------------------------------------------------------------- photos and answers


def answer_line(photo, offset):
    measures = dict.fromkeys(MEASURE_BY_NAME)
    measures["offset_mm"] = {"value": offset, "U95": 0.4, "unit": "mm", "low": -3, "high": 3, "state": "in"}
    if offset is None:
        measures["offset_mm"] = None
    return json.dumps({"photo": f"shots/{photo}", "schema": 1, "verdict": "pass", "measures": measures})


def photo_study(tmp_path, values):
    lines = ["maker,block,repeat,photo"]
    answers = []
    for i, (b, m, r) in enumerate(np.ndindex(values.shape)):
        lines.append(f"{'ABC'[m]},{b + 1},{r + 1},p{i}.jpg")
        answers.append(answer_line(f"p{i}.jpg", float(values[b, m, r])))
    (tmp_path / "s.csv").write_text("\n".join(lines))
    (tmp_path / "a.jsonl").write_text("\n".join(answers))
    return tmp_path / "s.csv", tmp_path / "a.jsonl"


def test_study_from_answers(tmp_path):
    sheet, answers = photo_study(tmp_path, aiag())
    readings, problems = answer_readings(read_sheet(sheet), read_answers(answers))
    assert [r.measure for r in readings] == ["offset_mm"]
    assert problems == []
    assert analyse(readings[0].values).grr == pytest.approx(0.302373, abs=2e-6)


@pytest.mark.parametrize("read", [read_sheet, read_answers])
def test_what_has_no_end_is_not_read_to_its_end(read):
    with pytest.raises(UsageProblem, match="larger than"):
        read(Path("/dev/zero"))


def test_answers_that_are_missing_or_wrong(tmp_path):
    sheet, answers = photo_study(tmp_path, aiag()[:2, :2, :2])
    lines = answers.read_text().splitlines()
    answers.write_text("\n".join(lines[1:]))
    with pytest.raises(UsageProblem, match=r"no answer for p0.jpg \(A, 1, repeat 1\)"):
        answer_readings(read_sheet(sheet), read_answers(answers))
    answers.write_text("\n".join([answer_line("p0.jpg", None), *lines[1:]]))
    with pytest.raises(UsageProblem, match=r"offset_mm is left out, since 1 of 8 readings is missing"):
        answer_readings(read_sheet(sheet), read_answers(answers))
    for wrong in ("{", "[]", "3", "[" * 100_000, '{"photo": "x.jpg"}', '{"photo": "x", "schema": 2, "measures": {}}'):
        answers.write_text("\n".join([*lines, wrong]))
        with pytest.raises(UsageProblem, match="Line 9 of"):
            read_answers(answers)
    answers.write_text("\n".join([*lines, lines[0]]))
    with pytest.raises(UsageProblem, match=r"two answers for p0.jpg"):
        read_answers(answers)
    with pytest.raises(UsageProblem, match="no answers at"):
        read_answers(tmp_path / "none")
    text = sheet.read_text()
    sheet.write_text(text.replace("p1.jpg", "p0.jpg"))
    with pytest.raises(UsageProblem, match="stands for two measurements"):
        answer_readings(read_sheet(sheet), {})
    sheet.write_text(text.replace("p1.jpg", ""))
    with pytest.raises(UsageProblem, match="names no photo"):
        answer_readings(read_sheet(sheet), {})


def test_photos_are_checked_with_their_own_block(tmp_path, monkeypatch, capsys):
    """The sheet's closure and block_circumference reach the check of each photo; the check itself is a stand-in."""
    from placecheck import one_photo
    from placecheck.answer import Estimate, Measured
    from placecheck.bare_block.saved import BLOCKS, blocks_folder
    from placecheck.card_bars import save_bars

    monkeypatch.setenv("PLACECHECK_HOME", str(tmp_path / "home"))
    save_bars(tmp_path / "home", 99.2, 99.5)
    values = aiag()[:3, :2, :2]
    sheet, _ = photo_study(tmp_path, values)
    head, *lines = sheet.read_text().splitlines()
    around = {"1": "22in", "2": "22.5in", "3": "58cm"}
    lines = [f"{line},5x5,{around[line.split(',')[1]]}" for line in lines]
    sheet.write_text("\n".join([f"{head},closure,block_circumference", *lines]))
    asked = {}

    def stand_in(path, request):
        asked[path.name] = request
        index = int(path.stem[1:])
        measured = Measured({"offset_mm": Estimate(float(values.ravel()[index]), 0.2)})
        return one_photo.Checked(path, one_photo.answer_for(measured, request))

    for i in range(values.size):
        (tmp_path / f"p{i}.jpg").touch()
    monkeypatch.setattr(one_photo, "check_file", stand_in)
    assert run(["study", "analyse", str(sheet), "--photos", str(tmp_path), "--json"]) == 0
    study = json.loads(capsys.readouterr().out)["studies"]["offset_mm"]
    assert study["GRR"] == pytest.approx(analyse(np.round(values, 3)).grr, abs=1e-6)
    assert asked["p0.jpg"].block_circumference_mm == pytest.approx(22 * 25.4)
    assert asked["p11.jpg"].block_circumference_mm == pytest.approx(580)
    assert asked["p5.jpg"].card_bars_mm == (99.2, 99.5)
    # the study's block 2 is a block that was measured before
    assert run(["block", "measure", "Willow", "--round", "22.75in", "--over", "13.25in", "--across", "12.25in"]) == 0
    willow = BLOCKS.load(blocks_folder(tmp_path / "home"), "Willow")
    named = [f"{line}," if line.split(",")[1] != "2" else f"{line.rsplit(',', 1)[0]},,willow" for line in lines]
    sheet.write_text("\n".join([f"{head},closure,block_circumference,saved_block", *named]))
    assert run(["study", "analyse", str(sheet), "--photos", str(tmp_path), "--json"]) == 0
    second = [name for name, request in asked.items() if request.block is not None]
    assert second == [f"p{i}.jpg" for i, line in enumerate(lines) if line.split(",")[1] == "2"]
    assert asked[second[0]].block == willow.for_check()
    assert asked[second[0]].block_circumference_mm == pytest.approx(578, abs=0.1)
    assert asked["p0.jpg"].block_circumference_mm == pytest.approx(22 * 25.4)
    assert run(["block", "forget", "Willow"]) == 0
    capsys.readouterr()
    assert run(["study", "analyse", str(sheet), "--photos", str(tmp_path)]) == 2
    assert "There is no saved block “willow”" in capsys.readouterr().err
    sheet.write_text("\n".join([head, *[",".join(line.split(",")[:4]) for line in lines]]))
    assert run(["study", "analyse", str(sheet), "--photos", str(tmp_path)]) == 2
    assert "needs the closure and the block" in capsys.readouterr().err


def test_photo_that_is_none_stops_the_study(tmp_path, monkeypatch, capsys):
    monkeypatch.setenv("PLACECHECK_HOME", str(tmp_path / "home"))
    sheet, _ = photo_study(tmp_path, aiag()[:2, :2, :2])
    head, *lines = sheet.read_text().splitlines()
    sheet.write_text("\n".join([f"{head},closure,block_circumference", *[f"{line},5x5,22.5in" for line in lines]]))
    assert run(["study", "analyse", str(sheet), "--photos", str(tmp_path)]) == 2
    said = capsys.readouterr().err
    assert "p0.jpg does not exist" in said
    assert "Traceback" not in said
    for i in range(8):
        (tmp_path / f"p{i}.jpg").write_bytes(b"no photo")
    assert run(["study", "analyse", str(sheet), "--photos", str(tmp_path)]) == 2
    assert "p0.jpg is not a JPEG" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("fields", "says"),
    [
        ("p7.jpg,5by,22.5in", "The closure size “5by”"),
        ("p7.jpg,5x5,57", "The block circumference “57” has no unit"),
        ("gone.jpg,5x5,22.5in", "gone.jpg does not exist"),
    ],
)
def test_a_wrong_line_is_named_before_any_photo_is_checked(tmp_path, monkeypatch, capsys, fields, says):
    """A slip in a study's last line cost the minutes of all photos before it, and the sentence named no line."""
    monkeypatch.setenv("PLACECHECK_HOME", str(tmp_path / "home"))
    sheet, _ = photo_study(tmp_path, aiag()[:2, :2, :2])
    head, *lines = sheet.read_text().splitlines()
    lines = [f"{line},5x5,22.5in" for line in lines[:-1]] + [lines[-1].replace("p7.jpg", fields)]
    sheet.write_text("\n".join([f"{head},closure,block_circumference", *lines]))
    for i in range(8):
        (tmp_path / f"p{i}.jpg").write_bytes(b"no photo")
    assert run(["study", "analyse", str(sheet), "--photos", str(tmp_path)]) == 2
    said = capsys.readouterr().err
    assert f"Line 9 of {sheet}: " in said
    assert says in said
    assert said.count("\n") == 1


# ----------------------------------------------------------------------------- the plan


@given(makers=st.integers(2, 6), blocks=st.integers(2, 8), repeats=st.integers(2, 5), seed=st.integers(0, 10**6))
@settings(max_examples=50)
def test_plan_is_complete_random_and_in_rounds(makers, blocks, repeats, seed):
    lines = make_plan(names(str(makers), "maker"), names(str(blocks), "block"), repeats, seed)
    size = makers * blocks
    assert len({line[1:4] for line in lines}) == len(lines) == size * repeats
    assert [line[0] for line in lines] == list(range(1, len(lines) + 1))
    for r in range(repeats):  # every round holds everything once
        assert {line[3] for line in lines[r * size : (r + 1) * size]} == {r + 1}
    assert all(a[1:3] != b[1:3] for a, b in itertools.pairwise(lines))
    assert lines == make_plan(names(str(makers), "maker"), names(str(blocks), "block"), repeats, seed)


def test_every_order_is_as_likely():
    # 2 makers x 2 blocks: the 24 orders of the first round over 4800 seeds, chi-squared with 23 degrees of freedom
    stats = pytest.importorskip("scipy.stats")
    count: dict[tuple, int] = {}
    for seed in range(4800):
        first = tuple(line[1:3] for line in make_plan(("A", "B"), ("x", "y"), 2, seed)[:4])
        count[first] = count.get(first, 0) + 1
    assert len(count) == 24
    assert stats.chisquare(list(count.values())).pvalue > 1e-4


def test_plan_comes_back_as_a_sheet(tmp_path):
    lines = make_plan(names("Ada, Bo", "maker"), names("3", "block"), 2, 5)
    path = tmp_path / "plan.csv"
    path.write_text(plan_csv(lines))
    sheet = read_sheet(path)
    assert set(sheet.makers) == {"Ada", "Bo"}
    assert sheet.repeats == 2
    path.write_text(plan_csv(lines, ("offset_mm", "skew_deg")))
    assert read_sheet(path).measures == ("offset_mm", "skew_deg")


@pytest.mark.parametrize("text", ["1", "0", "", "Ada", "Ada,Ada", ","])
def test_plan_needs_two_different(text):
    with pytest.raises(UsageProblem, match="at least two"):
        names(text, "maker")


def test_plan_of_absurd_size():
    with pytest.raises(UsageProblem, match="at most"):
        make_plan(names("50", "maker"), names("50", "block"), 3, 1)
    with pytest.raises(UsageProblem, match="at least 2 repeats"):
        make_plan(("A", "B"), ("x", "y"), 1, 1)
    for text in ("1000", "9" * 5000):
        with pytest.raises(UsageProblem, match="too many: a study takes at most 400"):
            names(text, "maker")


# ----------------------------------------------------------------------------- the picture


def picture():
    study = analyse(aiag(), "offset_mm", "mm", tolerance=(-4.0, 4.0))
    skew = analyse(
        aiag() / 2, "skew_deg", "deg", ("Ada with a rather long name", "Bo", "C < & > D"), tolerance=(-2.0, 2.0)
    )
    return study_svg([study, skew], "What this bench can measure", bench_sentence([study]))


SVG = "{http://www.w3.org/2000/svg}"


def test_picture_fits_a_phone():
    root = ET.fromstring(picture())
    left, top, width, height = (float(v) for v in root.get("viewBox").split())
    assert (left, top, width) == (0, 0, 360)
    for text in root.iter(f"{SVG}text"):
        size = float(text.get("font-size"))
        assert size >= 12
        long = len(text.text) * 0.56 * size * (1.06 if text.get("font-weight") else 1.0)
        x = float(text.get("x"))
        start = {"middle": x - long / 2, "end": x - long}.get(text.get("text-anchor", "start"), x)
        assert start >= -1, text.text
        assert start + long <= WIDTH + 1, text.text
        assert 0 < float(text.get("y")) < height
    assert root.find(f"{SVG}title").text
    assert root.find(f"{SVG}desc").text


def test_picture_shows_every_reading_and_the_limits():
    root = ET.fromstring(study_svg([analyse(aiag(), "offset_mm", "mm", tolerance=(-4.0, 4.0))], "t"))
    polygons, circles = list(root.iter(f"{SVG}polygon")), list(root.iter(f"{SVG}circle"))
    assert len(circles) == 31  # 30 readings of the first maker and the legend
    assert len(polygons) == 62
    dashed = [line for line in root.iter(f"{SVG}line") if line.get("stroke-dasharray") == "6 4"]
    assert len(dashed) == 2
    # readings stand at their values: the scale is linear, and the two limits are its ends
    y_low, y_high = sorted((float(d.get("y1")) for d in dashed), reverse=True)
    found = sorted(-4 + 8 * (y_low - float(c.get("cy"))) / (y_low - y_high) for c in circles[1:])
    assert found == pytest.approx(sorted(aiag()[:, 0].ravel()), abs=0.01)


def test_picture_for_the_colour_blind():
    # Machado, Oliveira and Fernandes 2009, table for severity 1.0 (linear RGB): what protan, deutan and tritan eyes see
    color = pytest.importorskip("skimage.color")
    seen_by = {
        "normal": np.eye(3),
        "protan": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
        "deutan": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]],
        "tritan": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]],
    }
    rgb = np.array([[int(c[i : i + 2], 16) / 255 for i in (1, 3, 5)] for c in COLOURS])
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    for kind, matrix in seen_by.items():
        seen = np.clip(linear @ np.array(matrix).T, 0, 1)
        srgb = np.where(seen <= 0.0031308, 12.92 * seen, 1.055 * seen ** (1 / 2.4) - 0.055)
        lab = color.rgb2lab(srgb[None])[0]
        for i in range(4):
            for j in range(i):  # the first four makers by colour alone, 11 being told apart at a glance
                assert color.deltaE_ciede2000(lab[i], lab[j]) > 11, (kind, COLOURS[i], COLOURS[j])
    # and nobody needs the colours: the first six makers differ in shape
    assert len({look_of(i)[0] for i in range(6)}) == len(SHAPES) == 6
    assert len({look_of(i) for i in range(30)}) == 30


def test_picture_of_extremes():
    x = aiag()
    for values in (x * 1e-6, x * 1e6, np.ones((2, 2, 2)), np.tile(x[:, :1], (2, 6, 1)) + 5):
        svg = study_svg([analyse(values, "offset_mm", "mm", tolerance=(-3.0, 3.0))], "t")
        assert "nan" not in svg
        assert "inf" not in re.sub("</?[a-z]+", "", svg)
        ET.fromstring(svg)


# ----------------------------------------------------------------------------- the commands


@pytest.fixture
def bench(tmp_path, monkeypatch):
    monkeypatch.setenv("PLACECHECK_HOME", str(tmp_path / "home"))
    return sheet_of(aiag(), tmp_path / "s.csv")


def test_command_analyse(bench, tmp_path, capsys):
    svg = tmp_path / "s.svg"
    arguments = ["study", "analyse", str(bench), "--tolerance", "offset_mm=-4:4", "--svg", str(svg)]
    assert run(arguments) == 0
    said = capsys.readouterr().out
    for figure in ("0.1999", "0.2268", "0.3024", "1.042", "22.7", "27.9", "p = 0.974, pooled"):
        assert figure in said
    assert "±3 mm" in said
    assert svg.read_text().startswith("<svg")
    assert run(arguments) == 2
    assert "--force" in capsys.readouterr().err
    assert run([*arguments, "--force", "--json"]) == 0
    result = json.loads(capsys.readouterr().out)
    study = result["studies"]["offset_mm"]
    assert study["GRR"] == pytest.approx(0.302373, abs=2e-6)
    assert (study["ndc"], study["pooled"], study["can_judge"]) == (4, True, "with care")
    assert run(["study", "analyse", str(bench), "--pool-above", "1", "--json"]) == 0
    study = json.loads(capsys.readouterr().out)["studies"]["offset_mm"]
    assert study["EV"] == pytest.approx(0.214435, abs=1e-6)
    assert study["tolerance"] == [-3, 3]  # the shop's own


def test_measures_of_every_stage_are_judged_by_the_shops_limits(bench, tmp_path, capsys):
    home = tmp_path / "home"
    home.mkdir()
    (home / "settings.toml").write_text("[tolerances]\ncap_shift_mm = [-4, 4]\n")
    sheet = sheet_of(aiag(), tmp_path / "cap.csv", "cap_shift_mm")
    assert run(["study", "analyse", str(sheet), "--json"]) == 0
    study = json.loads(capsys.readouterr().out)["studies"]["cap_shift_mm"]
    assert (study["tolerance"], study["can_judge"]) == ([-4, 4], "with care")


def test_command_refuses_in_one_sentence(bench, tmp_path, capsys):
    for arguments in (
        ["--tolerance", "offset_mm"],
        ["--tolerance", "offset_mm=3:-3"],
        ["--tolerance", "nothing=-3:3"],
        ["--measure", "skew_deg"],
        ["--limit", "-1"],
        ["--answers", str(tmp_path / "no"), "--photos", str(tmp_path)],
        ["--answers", str(tmp_path / "no")],
        ["--photos", str(tmp_path)],
    ):
        assert run(["study", "analyse", str(bench), *arguments]) == 2, arguments
        said = capsys.readouterr().err.strip()
        assert "Traceback" not in said
        assert said.count("\n") == 0, said
    assert run(["study", "analyse", str(tmp_path / "none.csv")]) == 2
    capsys.readouterr()
    assert run(["study", "analyse", str(bench), "--svg", str(tmp_path / "no" / "s.svg")]) == 4
    assert "s.svg cannot be written (No such file or directory): name another file." in capsys.readouterr().err


def test_command_plan(tmp_path, capsys):
    file = tmp_path / "plan.csv"
    assert run(["study", "plan", "--makers", "2", "--blocks", "x,y", "--repeats", "2", "--seed", "3"]) == 0
    printed = capsys.readouterr()
    assert len(printed.out.splitlines()) == 9
    assert "seed 3" in printed.err
    arguments = ["study", "plan", "--measures", "offset_mm,skew_deg", "--file", str(file)]
    assert run(arguments) == 0
    # a spreadsheet knows by the first mark that names are UTF-8
    assert file.read_text().splitlines()[0] == "\ufefforder,maker,block,repeat,offset_mm,skew_deg"
    assert read_sheet(file).measures == ("offset_mm", "skew_deg")
    assert len(file.read_text().splitlines()) == 46
    assert run(arguments) == 2
    assert run([*arguments, "--force"]) == 0
    assert run(["study", "plan", "--makers", "1"]) == 2
    capsys.readouterr()
    for doubled in ("offset_mm,offset_mm", "Offset_mm,offset_mm", "maker", "Note"):  # as analyse would read it
        assert run(["study", "plan", "--measures", doubled]) == 2
        printed = capsys.readouterr()
        assert printed.out == ""
        assert f"“{doubled.split(',')[-1]}” cannot be one more measure" in printed.err
