"""`marver fit` as a person or a script calls it: contract of the JSON, exit codes, bad input, options."""

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from app.cli.main import main
from app.core.optics.checks import CHECK_CODES
from tests.core.optics.scans import NU_MHZ, coupled_modes

C = 299_792_458.0
MEASURED = {"value", "sigma", "low", "high"}


def signal(z: np.ndarray, g: complex = 0.0, k0: float = 4.0, kex: float = 1.0, noise: float = 0.005) -> np.ndarray:
    u = z / np.ptp(z)
    rng = np.random.default_rng(3)
    return 1.7 * ((1 + 0.1 * u) * coupled_modes(z, k0, kex, g) + noise * rng.normal(size=len(z)))


def wavelength_file(path: Path, g: complex = 0.0, **rates: float) -> Path:
    z = np.linspace(-60, 60, 1500)
    nm = C * 1e3 / (NU_MHZ + z)
    np.savetxt(
        path, np.c_[nm, signal(z, g, **rates)][::-1], fmt="%.9f", delimiter=",", header="wavelength_nm,V", comments=""
    )
    return path


def flat_file(path: Path) -> Path:
    rng = np.random.default_rng(4)
    np.savetxt(path, np.c_[np.linspace(1550, 1551, 400), 1 + 0.01 * rng.normal(size=400)], header="nm V")
    return path


def fit(capsys: pytest.CaptureFixture, *words: object) -> tuple[int, object, str]:
    code = main(["fit", *map(str, words), "--json"])
    out, err = capsys.readouterr()
    assert "NaN" not in out
    assert "Infinity" not in out
    return code, json.loads(out) if out else None, err


def test_one_file_gives_one_object_to_the_letter(tmp_path, capsys):
    """Every key of the contract is there, with its kind of value, for a single dip on a wavelength axis."""
    path = wavelength_file(tmp_path / "a.csv")
    code, o, err = fit(capsys, path)
    assert (code, err) == (0, "")
    assert list(o) == [
        "file", "resonance", "points", "model", "wavelength_nm", "axis", "modes", "device", "regime", "coupling_mhz",
        "splitting_mhz", "contrast", "evidence", "checks", "quality", "seconds",
    ]  # fmt: skip
    assert (o["file"], o["resonance"], o["points"], o["model"]) == (str(path), 0, 1500, "single")
    assert o["wavelength_nm"] == pytest.approx(C * 1e3 / NU_MHZ, abs=1e-8)
    assert o["axis"] == {"basis": "wavelength", "rel_sigma": None}
    assert o["regime"] == {"reading": "under", "basis": "assumed"}
    assert o["splitting_mhz"] is None
    (mode,) = o["modes"]
    assert set(mode) == {
        "detuning_mhz", "linewidth_mhz", "q_loaded", "q_intrinsic", "q_intrinsic_other", "lifetime_ns",
    }  # fmt: skip
    for m in (*(mode[k] for k in mode if k != "q_intrinsic_other"), o["coupling_mhz"], o["contrast"]):
        assert set(m) == MEASURED
        assert m["low"] < m["value"] < m["high"]
        assert 0 < m["sigma"] < m["high"] - m["low"]
    assert mode["detuning_mhz"]["value"] == pytest.approx(0.0, abs=1e-9)
    assert mode["linewidth_mhz"]["low"] < 5.0 < mode["linewidth_mhz"]["high"]
    assert mode["q_intrinsic_other"] == pytest.approx(NU_MHZ, rel=0.05)
    assert set(o["device"]) == {"q_intrinsic", "grade"}
    assert o["device"]["grade"] == "B"
    assert set(o["evidence"]) == {"delta_bic", "text"}
    assert o["evidence"]["delta_bic"] < 0
    assert [c["code"] for c in o["checks"]] == list(CHECK_CODES)
    assert {c["code"]: c["state"] for c in o["checks"]}["axis_unverified"] == "found"
    assert set(o["checks"][0]) == {"code", "state", "bias_percent", "text"}
    assert set(o["quality"]) == {"noise", "reduced_chi2", "points_per_linewidth"}
    assert o["seconds"] >= 0


def test_a_split_pair_is_ordered_by_optical_frequency(tmp_path, capsys):
    """On a wavelength axis the wider lower mode comes first and detunings are from the centre between the two."""
    _, o, _ = fit(capsys, wavelength_file(tmp_path / "a.csv", 8 - 0.75j))
    assert o["model"] == "split"
    assert [m["detuning_mhz"]["value"] for m in o["modes"]] == pytest.approx([-8, 8], abs=0.05)
    assert [m["linewidth_mhz"]["value"] for m in o["modes"]] == pytest.approx([6.5, 3.5], rel=0.03)
    assert o["splitting_mhz"]["value"] == pytest.approx(16, rel=0.01)
    assert o["regime"]["basis"] == "line-shape"


def test_a_relative_axis_keeps_its_zero(tmp_path, capsys):
    """Time with a negative tuning rate: detuning from the file's zero, uncertainty of the rate in the interval."""
    t = np.linspace(0, 2, 2000)
    z = -60 * (t - 1)
    np.savetxt(tmp_path / "t.txt", np.c_[t, signal(z - 10)], header="time_ms volts")
    options = ("--tuning-mhz-per-s", "-6e4", "--tuning-sigma", "0.03", "--wavelength-nm", "1550")
    code, o, _ = fit(capsys, tmp_path / "t.txt", *options)
    assert code == 0
    assert o["axis"] == {"basis": "tuning-rate", "rel_sigma": 0.03}
    assert o["wavelength_nm"] == 1550.0
    # The file's zero is the start of the ramp, 60 MHz above the middle of the scan.
    assert o["modes"][0]["detuning_mhz"]["value"] == pytest.approx(10 - 60, abs=0.1)
    width = o["modes"][0]["linewidth_mhz"]
    assert width["value"] == pytest.approx(5.0, rel=0.02)
    assert width["sigma"] == pytest.approx(0.03 * width["value"], rel=0.1)


def test_several_files_keep_their_places(tmp_path, capsys):
    """An array in the order given; failed files keep their place and have one line each; 2 wins over 1."""
    good, flat = wavelength_file(tmp_path / "good.csv"), flat_file(tmp_path / "flat.txt")
    code, o, err = fit(capsys, flat, good, tmp_path / "none.csv", tmp_path)
    assert code == 2
    assert [e["model"] for e in o] == [None, "single", None, None]
    assert [e.get("error", {}).get("code") for e in o] == ["no_resonance", None, "no_file", "folder"]
    assert len(err.splitlines()) == 3
    assert all(line.startswith("marver fit: ") for line in err.splitlines())
    code, o, err = fit(capsys, good, flat)
    assert code == 1
    assert [e["model"] for e in o] == ["single", None]
    assert len(err.splitlines()) == 1


def _numbers(rows: int, column: object) -> str:
    return "wavelength_nm,V\n" + "".join(f"{1550 + i * 1e-4:.5f},{column}\n" for i in range(rows))


def _dip(at: float) -> str:
    nm = np.linspace(1550, 1550.001, 400)
    y = 1 - 0.6 / (1 + ((nm - at) / 2e-5) ** 2) + 0.01 * np.random.default_rng(1).normal(size=400)
    return "wavelength_nm,V\n" + "".join(f"{a:.8f},{b:.6f}\n" for a, b in zip(nm, y, strict=True))


@pytest.mark.parametrize(
    ("name", "content", "options", "code", "words"),
    [
        ("empty.csv", b"", (), 2, "empty"),
        ("binary.dat", bytes(range(256)) * 4, (), 2, "not text"),
        ("picture.csv", b"\x89PNG\r\n\x1a\n" + bytes(99), (), 2, "PNG picture"),
        ("one.csv", "1.5\n" * 50, (), 2, "one column"),
        ("nan.csv", _numbers(50, "nan"), (), 2, "NaN"),
        ("inf.csv", _numbers(50, "inf"), (), 2, "infinite"),
        ("constant.csv", _numbers(50, 0.25), (), 2, "constant"),
        ("axis.csv", "wavelength_nm,V\n" + "".join(f"1550,{i}\n" for i in range(50)), (), 2, "constant"),
        ("nodip.csv", _numbers(50, 0.25).replace("1550.0001", "1550.00011"), ("--y", "7"), 2, "no such column"),
        ("edge.csv", _dip(1550.001), (), 1, "edge"),
        ("unit.csv", _dip(1550.0005), ("--x-unit", "parsec"), 2, "parsec"),
        ("unit2.csv", _dip(1550.0005), ("--x-unit", "um"), 2, "wrong unit"),
        ("nounit.csv", _dip(1550.0005).replace("wavelength_nm", "x"), (), 2, "--x-unit"),
        (
            "three.csv",
            "a_nm,b,c\n" + "".join(f"{1550 + i},1,{i}\n" for i in range(50)),
            (),
            2,
            "0 'a_nm', 1 'b', 2 'c'",
        ),
        ("array.npy", b"\x93NUMPY\x01\x00" + bytes(80), (), 2, "NumPy"),
        ("prose.txt", "the quick brown fox\n" * 50, (), 2, "the quick"),
        ("few.csv", _numbers(9, 1), (), 2, "9 rows"),
    ],
)
def test_bad_files_end_with_one_line_and_no_traceback(tmp_path, capsys, name, content, options, code, words):
    """Each kind of bad input has its exit code and one line that says what and where."""
    path = tmp_path / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    got = main(["fit", str(path), *options])
    out, err = capsys.readouterr()
    assert (got, out) == (code, "")
    assert len(err.splitlines()) == 1
    assert words in err


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("fit",), "required: FILE"),
        (("fit", "a.csv", "--window", "1"), "expected 2 arguments"),
        (("fit", "a.csv", "--model", "triple"), "triple"),
        (("fit", "a.csv", "--wavelength-nm", "red"), "'red' is not a number"),
        (("fit", "a.csv", "--wavelength-nm", "-1550"), "above zero"),
        (("fit", "a.csv", "--tuning-mhz-per-s", "nan"), "not a finite number"),
        (("fit", "a.csv", "--all"), "--all is not available yet"),
        (("fit", "a.csv", "--plot", "o.svg"), "--plot is not available yet"),
        (("fit", "a.csv", "--reference", "2"), "--reference is not available yet"),
        (("fit", "a.csv", "--fsr-mhz", "200"), "--fsr-mhz is not available yet"),
        (("fit", "a.csv", "--shape", "peak"), "--shape peak is not available yet"),
        (("fit", "a.csv", "--y-unit", "dBm"), "--y-unit dBm is not available yet"),
        (("fit", "a.csv", "--colour", "red"), "unrecognized"),
        (("anneal",), "anneal"),
    ],
)
def test_usage_errors_are_one_line_and_exit_2(capsys, words, said):
    """What is not understood, or not there yet, is named."""
    assert main(list(words)) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert len(err.splitlines()) == 1
    assert said in err


def test_options_decide_shape_regime_window_and_dark(tmp_path, capsys):
    """Model and regime by hand, the window in nanometres with negative numbers elsewhere, the dark level off."""
    path = wavelength_file(tmp_path / "a.csv", 8 - 0.75j)
    assert fit(capsys, path, "--model", "single")[1]["model"] == "single"
    centre = C * 1e3 / NU_MHZ
    one = fit(capsys, path, "--window", centre + 2e-5, centre + 2e-4)[1]
    assert one["model"] == "single"
    nm = C * 1e3 / (NU_MHZ + np.linspace(-60, 60, 1500))
    assert one["points"] == ((nm >= centre + 2e-5) & (nm <= centre + 2e-4)).sum()
    assert one["modes"][0]["linewidth_mhz"]["value"] == pytest.approx(6.5, rel=0.1)
    over = fit(capsys, wavelength_file(tmp_path / "b.csv"), "--regime", "over")[1]
    assert over["regime"] == {"reading": "over", "basis": "option"}
    assert over["modes"][0]["q_intrinsic"]["value"] == pytest.approx(NU_MHZ, rel=0.05)
    dark = fit(capsys, tmp_path / "b.csv", "--dark", "0,3")[1]
    assert dark["contrast"]["value"] > over["contrast"]["value"] * 1.1
    z = np.linspace(-60, 60, 500)
    np.savetxt(tmp_path / "z.txt", np.c_[z, signal(z)])
    code, o, _ = fit(
        capsys, tmp_path / "z.txt", "--x-unit", "MHz", "--wavelength-nm", "1550", "--window", "-3e1", "30,0"
    )
    assert (code, o["points"]) == (0, 250)


def test_words_for_a_person(tmp_path, capsys):
    """Without --json: Q with interval, regime, evidence, what was understood of the file, what was not checked."""
    assert main(["fit", str(wavelength_file(tmp_path / "a.csv", k0=2.6, kex=2.4))]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    for words in (
        "single resonance",
        "or more",
        "under-coupled, assumed",
        "1500 rows",
        "decimal point",
        "not checked:",
    ):
        assert words in out


def test_help_names_the_command_and_its_options(capsys):
    """`marver --help` lists fit, `marver fit --help` its options and examples."""
    assert main(["--help"]) == 0
    assert "fit scans" in capsys.readouterr().out
    assert main(["fit", "--help"]) == 0
    text = capsys.readouterr().out
    assert "--tuning-mhz-per-v" in text
    assert "examples:" in text
    assert main([]) == 2


def test_the_installed_command_ends_with_the_code(tmp_path):
    """As a process of its own: exit code, one JSON object on standard output, one line on standard error."""
    flat, good = flat_file(tmp_path / "flat.txt"), wavelength_file(tmp_path / "good.csv")
    run = subprocess.run(
        [sys.executable, "-m", "app.cli.main", "fit", str(good), str(flat), "--json"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert run.returncode == 1
    assert [e["model"] for e in json.loads(run.stdout)] == ["single", None]
    assert run.stderr.count("\n") == 1
