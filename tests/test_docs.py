"""What the documents say is what the program does: commands, options, statuses, files, settings, examples."""

from __future__ import annotations

import importlib
import json
import re
import subprocess
import tomllib
from pathlib import Path

import pytest
from typer.main import get_command

from placecheck.answer import MEASURES
from placecheck.cli import COMMANDS, build_app
from placecheck.marks import LINE_NAMES, POINT_NAMES, marks_from
from placecheck.settings import load_settings
from placecheck.tolerances import DEFAULT_LIMITS, DEFAULTS, tolerances_from

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def blocks(text: str, kind: str) -> list[str]:
    return re.findall(rf"```{kind}\n(.*?)```", text, re.DOTALL)


def commands() -> dict[str, list[str]]:
    """Every command of the program, `group sub` included, with its options as they are typed."""
    found: dict[str, list[str]] = {}

    def walk(command, name: str) -> None:
        found[name] = [o for p in command.params for o in (*p.opts, *p.secondary_opts) if o.startswith("--")]
        for sub, child in getattr(command, "commands", {}).items():
            walk(child, f"{name} {sub}")

    walk(get_command(build_app()), "placecheck")
    return found


def test_one_module_knows_opencv():
    """Beside it, doctor asks for the version, and the benchmark runs OpenCV's own detector for comparison."""
    modules = (ROOT / "placecheck").rglob("*.py")
    knowing = {p.name for p in modules if re.search(r"^\s*(import|from) cv2", p.read_text(encoding="utf-8"), re.M)}
    assert knowing == {"vision.py", "system.py", "benchmark.py"}


def test_no_module_of_calibration_and_program_is_too_long():
    for folder in ("placecheck", "calibration"):
        for path in (ROOT / folder).rglob("*.py"):
            assert len(path.read_text(encoding="utf-8").splitlines()) <= 400, path


@pytest.mark.skipif(not (ROOT / ".venv").exists(), reason="not set up by .ci/setup")
def test_the_command_has_its_short_name_as_the_readme_says():
    (enter,) = re.findall(r"After `(.*?)`, once in every new terminal, it is `placecheck`", README)
    line, bare = ["sh", "-c", f"{enter} && placecheck --version"], {"PATH": "/usr/bin:/bin"}
    done = subprocess.run(line, cwd=ROOT, env=bare, capture_output=True, text=True, check=False)
    assert done.stdout.startswith("placecheck "), done.stderr


def test_every_command_is_in_the_readme():
    assert len(commands()) > len(COMMANDS)
    for name in commands():
        assert f"`{name}" in README or f"\n{name} " in README, name


def test_every_option_is_in_the_readme():
    for name, options in commands().items():
        for option in options:
            assert re.search(rf"`{re.escape(option)}[ `]", README), f"{name} {option}"


def test_the_readme_names_no_option_that_is_not_there():
    real = {option for options in commands().values() for option in options} | {"--help"}
    named = set(re.findall(r"(?<![\w-])--[a-z][a-z-]*", README))
    assert named <= real, named - real


def test_every_measure_and_its_limits_are_in_the_readme():
    for spec in MEASURES:
        row = next(line for line in README.splitlines() if line.startswith("|") and f"`{spec.name}`" in line)
        if spec.judged:
            low, high = DEFAULT_LIMITS[spec.name]
            assert f"{low:g} to {high:g}" in row
        else:
            assert "not judged" in row


def test_exit_statuses_are_in_the_readme():
    rows = re.findall(r"^\| (\d) \| (.*) \|$", README, re.MULTILINE)
    assert [status for status, _ in rows] == ["0", "1", "2", "3", "4"]
    assert [rows[i][1] for i in (0, 1, 3)] == ["pass", "fix", "retake"]


def setup_commands() -> list[str]:
    return [line for block in blocks(README, "sh")[:2] for line in block.splitlines()]


def test_set_up_is_two_commands():
    assert len(setup_commands()) == 2
    assert all(line.startswith("sh .ci/setup") for line in setup_commands())


def test_ci_runs_the_readmes_second_command():
    assert setup_commands()[1] in (ROOT / ".ci" / "run").read_text().splitlines()


@pytest.mark.parametrize("script", ["setup", "run"])
def test_scripts_are_sound_shell(script):
    path = ROOT / ".ci" / script
    assert path.stat().st_mode & 0o111
    assert subprocess.run(["sh", "-n", str(path)], timeout=10).returncode == 0


def test_the_demo_of_the_readme_gives_a_verdict(tmp_path, monkeypatch, capfd):
    from placecheck import cli

    arguments = setup_commands()[0].split(".venv/bin/placecheck ", 1)[1].split()
    monkeypatch.setenv("PLACECHECK_HOME", str(tmp_path))
    monkeypatch.chdir(ROOT)
    status = cli.run([*arguments, "--json"])
    answer = json.loads(capfd.readouterr().out)
    assert status in (0, 1), answer["problems"]
    assert all(answer["measures"][spec.name] is not None for spec in MEASURES if spec.judged)


def test_marks_of_the_readme_lie_on_its_demo(tmp_path, monkeypatch, capfd):
    from placecheck import cli

    (tmp_path / "marks.json").write_text(blocks(README, "json")[1], encoding="utf-8")
    arguments = setup_commands()[0].split(".venv/bin/placecheck ", 1)[1].split()
    monkeypatch.setenv("PLACECHECK_HOME", str(tmp_path))
    monkeypatch.chdir(ROOT)
    status = cli.run([*arguments, "--json", "--marks", str(tmp_path / "marks.json")])
    answer = json.loads(capfd.readouterr().out)
    assert status in (0, 1), answer["problems"]
    assert "fold_front: set by hand" in answer["measures"]["offset_mm"]["evidence"]


def test_commands_of_the_documents_exist():
    for text in (README, DEVELOPERS):
        for block in blocks(text, "sh"):
            for line in block.splitlines():
                for name in re.findall(r"(?:^|/|&& )placecheck (\w+)", line):
                    assert name in COMMANDS, line
                for module in re.findall(r"-m (placecheck[\w.]*)", line):
                    assert importlib.util.find_spec(module) is not None, line


def test_settings_of_the_readme_are_the_defaults(tmp_path):
    (text,) = blocks(README, "toml")
    (tmp_path / "settings.toml").write_text(text, encoding="utf-8")
    settings = load_settings(tmp_path)
    assert set(settings.check) == {"closure", "block_circumference", "block", "card_bars", "camera", "maker"}
    assert set(settings.records) == {"address", "photos"}
    assert settings.tolerances.limits == DEFAULT_LIMITS
    assert settings.tolerances.clearance_aim_mm == DEFAULTS.clearance_aim_mm
    assert settings.tolerances.risk == pytest.approx(DEFAULTS.risk)
    data = tomllib.loads(text)
    assert tolerances_from(data).limits == DEFAULT_LIMITS


def test_json_examples_of_the_readme_parse():
    answer, marks = (json.loads(block) for block in blocks(README, "json"))
    told = README[README.index("### For programs") :]
    for name in ("stage", "moves", "right_mm", "face_mm", "distance_mm", "moved", "in", "out", "unsure"):
        assert re.search(rf'`"?{name}"?`', told), name
    assert set(answer) == {"schema", "verdict", "measures", "landmarks_px", "problems", "fixes"}
    read = marks_from(marks, Path("README.md"))
    assert read.u_px == 1.5
    for name in (*POINT_NAMES, *LINE_NAMES):
        assert f"`{name}`" in README


def test_links_and_paths_of_the_documents_exist():
    for text in (README, DEVELOPERS):
        for target in re.findall(r"\]\(([^)#]+)\)", text):
            assert (ROOT / target).exists(), target
    for name in re.findall(r"`((?:\w+/)*(?:\w+\.py|\w+/))`", DEVELOPERS):
        assert (ROOT / "placecheck" / name).exists() or (ROOT / name).exists(), name


def test_every_module_says_how_it_works():
    for path in sorted((ROOT / "placecheck").rglob("*.py")):
        text = path.read_text(encoding="utf-8")
        assert not text or text.startswith('"""'), path


def test_the_machine_is_checked_for_what_setup_installs():
    from placecheck.system import SYSTEM_PACKAGES

    setup = (ROOT / ".ci" / "setup").read_text()
    assert all(package in setup for package in SYSTEM_PACKAGES.split())
