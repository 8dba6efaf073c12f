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
        ("array.npy", b"\x93NUMPY\x01\x00" + bytes(80), (), 2, "damaged"),
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
        (("fit", "a.csv", "--plot", "o.pdf"), "must end in .svg or .png"),
        (("fit", "a.csv", "--all", "--plot", "o.svg"), "one file, without --all"),
        (("fit", "a.csv", "--reference", "2"), "--fsr-mhz"),
        (("fit", "a.csv", "--fsr-mhz", "200"), "goes with --reference"),
        (("fit", "a.csv", "--y-unit", "Np"), "auto, linear, dB or dBm"),
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


def comb_file(path: Path, seed: int) -> list[tuple[float, float]]:
    """Fifteen dips on a grating coupler's hump in dBm; (wavelength, loaded Q) of each."""
    rng = np.random.default_rng(seed)
    nm = np.linspace(1540, 1565, 25_001)
    thz = C / nm / 1e3
    t, truth = np.ones_like(nm), []
    for centre in np.arange(1541.0, 1564.5, 1.6) + rng.uniform(-0.1, 0.1, 15):
        q, contrast = 10 ** rng.uniform(4.3, 5.1), rng.uniform(0.25, 0.95)
        t *= 1 - contrast / (1 + (2 * (thz - C / centre / 1e3) * q / (C / centre / 1e3)) ** 2)
        truth.append((float(centre), float(q)))
    dbm = -20 - 3 * ((nm - 1552) / 12) ** 2 + 0.2 * np.sin(2 * nm) + 10 * np.log10(t)
    dbm += 0.05 * rng.normal(size=len(nm))
    np.savetxt(path, np.c_[nm, dbm], delimiter=",", fmt="%.6f", header="Wavelength (nm),Power (dBm)", comments="")
    return truth


def test_all_resonances_of_a_long_scan_in_dbm(tmp_path, capsys):
    """--all: an array with one entry a resonance, by rising optical frequency, each Q as made."""
    held = 0
    for seed in (1, 2):
        truth = comb_file(tmp_path / "c.csv", seed)
        code, o, err = fit(capsys, tmp_path / "c.csv", "--all")
        assert (code, err) == (0, "")
        assert [e["resonance"] for e in o] == list(range(15))
        assert [e["wavelength_nm"] for e in o] == sorted((e["wavelength_nm"] for e in o), reverse=True)
        for entry, (nm, q) in zip(o, truth[::-1], strict=True):
            loaded = entry["modes"][0]["q_loaded"]
            assert entry["wavelength_nm"] == pytest.approx(nm, abs=0.3 * nm / q)
            assert loaded["value"] == pytest.approx(q, rel=0.1)
            held += loaded["low"] <= q <= loaded["high"]
            assert {c["code"]: c["state"] for c in entry["checks"]}["assumed_db"] == "clear"
    assert held >= 26


def test_all_flags_what_overlaps_and_says_where_nothing_is(tmp_path, capsys):
    """Two dips two widths apart carry the check; a flat scan has no resonance, exit 1."""
    z = np.linspace(-400, 400, 6000)
    rng = np.random.default_rng(8)
    t = coupled_modes(z + 100, 4.0, 1.0, 0) * coupled_modes(z - 100, 6.0, 1.0, 0) * coupled_modes(z - 118, 5.0, 2.0, 0)
    np.savetxt(tmp_path / "o.txt", np.c_[z, t + 0.004 * rng.normal(size=len(z))], header="detuning_MHz V")
    _, o, _ = fit(capsys, tmp_path / "o.txt", "--all", "--wavelength-nm", 1550, "--model", "single")
    states = [{c["code"]: c["state"] for c in e["checks"]}["crossing_modes"] for e in o]
    assert states == ["clear", "found", "found"]
    code, o, _ = fit(capsys, flat_file(tmp_path / "f.txt"), "--all")
    assert (code, o[0]["error"]["code"]) == (1, "no_resonance")


def test_all_takes_two_like_dips_side_by_side_as_one_split_resonance(tmp_path, capsys):
    """Two pairs and a single dip in one scan: three resonances, the pairs split, their splitting as made."""
    z = np.linspace(-900, 900, 12_000)
    t = coupled_modes(z + 500, 4.0, 1.0, 8.0) * coupled_modes(z, 4.0, 1.0, 0) * coupled_modes(z - 500, 4.0, 2.0, 20.0)
    np.savetxt(tmp_path / "s.txt", np.c_[z, t + 0.004 * np.random.default_rng(9).normal(size=len(z))], header="x_MHz V")
    _, o, _ = fit(capsys, tmp_path / "s.txt", "--all", "--wavelength-nm", 1550)
    assert [e["model"] for e in o] == ["split", "single", "split"]
    assert o[0]["splitting_mhz"]["value"] == pytest.approx(16, rel=0.01)
    assert o[2]["splitting_mhz"]["value"] == pytest.approx(40, rel=0.01)


def test_the_dark_level_from_a_stretch_of_the_record(tmp_path, capsys):
    """--dark-window: the shutter was closed at the end; intrinsic Q as without the offset, the check is clear."""
    z = np.linspace(-60, 80, 2800)
    rng = np.random.default_rng(6)
    light = np.where(z < 65, 2.0 * coupled_modes(z, 4.0, 1.0, 0), 0.0)
    np.savetxt(tmp_path / "d.txt", np.c_[z, light + 0.4 + 0.004 * rng.normal(size=len(z))], header="detuning_MHz V")
    options = ("--wavelength-nm", 1550, "--dark-window", 66, 80)
    code, o, _ = fit(capsys, tmp_path / "d.txt", *options)
    assert code == 0
    assert o["device"]["q_intrinsic"]["value"] == pytest.approx(NU_MHZ / 4.0, rel=0.01)
    assert {c["code"]: c["state"] for c in o["checks"]}["dark_level"] == "clear"
    assert fit(capsys, tmp_path / "d.txt", "--wavelength-nm", 1550, "--dark-window", 900, 990)[0] == 2


def test_a_drop_port_peak(tmp_path, capsys):
    """--shape peak: width and loaded Q as made; intrinsic Q is a lower bound, grade C."""
    z = np.linspace(-60, 60, 2000)
    y = 0.05 + 0.8 * (1 - coupled_modes(z, 4.0, 1.0, 0)) + 0.002 * np.random.default_rng(2).normal(size=len(z))
    np.savetxt(tmp_path / "p.txt", np.c_[z, y], header="detuning_MHz V")
    code, o, _ = fit(capsys, tmp_path / "p.txt", "--shape", "peak", "--wavelength-nm", 1550)
    assert (code, o["model"], o["device"]["grade"]) == (0, "single", "C")
    assert o["modes"][0]["linewidth_mhz"]["value"] == pytest.approx(5.0, rel=0.01)
    assert o["device"]["q_intrinsic"]["high"] is None
    assert o["contrast"]["value"] == pytest.approx(0.512 / 0.562, rel=0.01)
    assert fit(capsys, tmp_path / "p.txt", "--wavelength-nm", 1550)[0] == 1


@pytest.mark.parametrize("name", ["fit.svg", "fit.png"])
def test_a_picture_of_the_fit(tmp_path, capsys, name):
    """--plot writes scan, fit and residuals; a folder that is not there is one line, exit 2."""
    path = wavelength_file(tmp_path / "a.csv", 8.0)
    assert fit(capsys, path, "--plot", tmp_path / name)[0] == 0
    content = (tmp_path / name).read_bytes()
    assert content.startswith(b"<svg" if name.endswith("svg") else b"\x89PNG")
    assert name.endswith("png") or b"Residual" in content
    code, o, err = fit(capsys, path, "--plot", tmp_path / "none" / name)
    assert (code, len(err.splitlines())) == (2, 1)
    assert o["error"]["code"] == "cannot_write"


def test_decibels_keep_the_contrast(tmp_path, capsys):
    """The same scan in volts and in dB gives the same Q; where dB is guessed the check says so."""
    z = np.linspace(-60, 60, 2000)
    power = np.maximum(signal(z, noise=0.003), 1e-3)
    np.savetxt(tmp_path / "v.txt", np.c_[z, power], header="detuning_MHz V")
    np.savetxt(tmp_path / "d.txt", np.c_[z, 10 * np.log10(power) - 30], header="detuning_MHz y")
    options = ("--wavelength-nm", 1550)
    volts = fit(capsys, tmp_path / "v.txt", *options)[1]
    stated = fit(capsys, tmp_path / "d.txt", *options, "--y-unit", "db")[1]
    assert stated["device"]["q_intrinsic"]["value"] == pytest.approx(volts["device"]["q_intrinsic"]["value"], rel=1e-3)
    deep = np.c_[z, 10 * np.log10(signal(z, k0=2.8, kex=2.2, noise=0.0)) - 30]
    np.savetxt(tmp_path / "g.txt", deep, header="detuning_MHz y")
    guessed = fit(capsys, tmp_path / "g.txt", *options)[1]
    assert {c["code"]: c["state"] for c in guessed["checks"]}["assumed_db"] == "found"
