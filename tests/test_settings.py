"""Settings: every default is valid, TOML goes out and comes back, mistakes are explained."""

import math
import re
import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

import promtrack
from promtrack import settings_text
from promtrack.errors import PromtrackError, SettingsError
from promtrack.settings import Settings
from promtrack.settings_text import change_settings, load_settings, set_no_more, settings_as_toml
from tests.make_docs import describe_settings

KEYS = [row[0] for row in describe_settings()]


def test_every_default_passes_its_own_check():
    # TWIN  setting each key to its own default must change nothing.
    defaults = {row[0]: row[1] for row in describe_settings() if row[1] is not None}
    assert change_settings(Settings(), defaults) == Settings()


def test_every_setting_has_a_help_text():
    assert [key for key, _, _, text in describe_settings() if len(text) < 8] == []


def test_every_other_word_leads_to_a_setting_and_is_none():
    assert set(settings_text._OTHER_WORDS.values()) <= set(KEYS)
    assert not set(settings_text._OTHER_WORDS) & set(KEYS)


def test_every_number_has_limits():
    # An unbounded number is multiplied, squared or added to a time somewhere, and overflows there.
    numbers = [row for row in describe_settings() if isinstance(row.default, float)]
    assert [row.key for row in numbers if " to " not in row.limits] == []


def test_every_setting_is_read_somewhere():
    package = Path(promtrack.__file__).parent
    code = "\n".join(
        path.read_text(encoding="utf-8")
        for path in package.rglob("*.py")
        if path.stem not in ("settings", "settings_text")
    )
    assert [key for key in KEYS if not re.search(rf"\.{key.partition('.')[2]}_?\b", code)] == []


def test_contract_keys_exist():
    contract = {
        "times.source",
        "times.zone",
        "times.offset_s",
        "times.start",
        "times.cadence_s",
        "times.table",
        "times.pattern",
        "site.latitude_deg",
        "site.longitude_deg",
        "site.elevation_m",
        "camera.pixel_um",
        "camera.focal_mm",
        "camera.arcsec_per_px",
        "camera.north_deg",
        "camera.mirrored",
        "camera.mount",
        "limb.height_mm",
        "strip.low_mm",
        "strip.high_mm",
        "strip.from_deg",
        "strip.to_deg",
        "motion.least_points",
        "motion.false_alarms",
    }
    assert contract <= set(KEYS)


def test_toml_comes_back_the_same(tmp_path):
    changed = change_settings(
        Settings(),
        {
            "times.pattern": 'a "quoted" \\ pattern\u00e9',
            "site.latitude_deg": -33.25,
            "motion.sectors": ["62-75", "80-90"],
            "clip.level_limb": False,
            "camera.focal_mm": 480,
        },
    )
    path = tmp_path / "promtrack.toml"
    path.write_text(settings_as_toml(changed), encoding="utf-8")
    assert load_settings(path) == changed


def test_written_toml_is_toml():
    # TWIN  Python's own reader of TOML.
    tree = tomllib.loads(settings_as_toml(Settings()))
    assert tree["clip"]["hold_s"] == 2.5
    assert tree["clip"]["overlays"][1] == "clock"


@pytest.mark.parametrize(
    ("key", "value", "figures"),
    [
        ("clip.rat", 3, "did you mean 'clip.rate'"),
        ("latitude_deg", 3, "site.latitude_deg"),
        ("clip.fps", 25, "'clip.rate' does that: frames per second"),
        ("clip.speed", 25, "'clip.rate' does that"),
        ("motion.speed", 25, "'motion.fastest_km_s' does that"),
        ("lat", 25, "'site.latitude_deg' does that"),
        ("times.offset_s", 1e15, "-1e+09 to 1e+09 s"),
        ("clip.rate", "fast", "needs a number, got 'fast'"),
        ("clip.rate", 1e9, "1 to 60"),
        ("clip.rate", math.nan, "outside its range"),
        ("times.offset_s", math.inf, "outside its range"),
        ("clip.look", "rosy", "choose from ash"),
        ("clip.overlays", ["clock", "rocket"], "'rocket'"),
        ("camera.mirrored", "perhaps", "true or false"),
        ("camera.mirrored", 1, "true or false"),
        ("motion.least_points", 8.5, "whole number"),
        ("motion.least_points", True, "whole number"),
        ("motion.least_points", 1e400, "whole number"),
        ("times.start", [1], "text"),
        ("motion.knot_mm", [2.0], "needs 2 values, got 1"),
    ],
)
def test_mistakes_are_explained(key, value, figures):
    with pytest.raises(SettingsError) as caught:
        change_settings(Settings(), {key: value})
    assert figures in str(caught.value)
    assert caught.value.exit_status == 2


@pytest.mark.parametrize(
    ("content", "figures"),
    [
        (b"clip.rate = ", "not valid TOML"),
        (b"rate = 3", "outside a section"),
        (b"\xff\xfe\x00", "not valid TOML"),
        (b"[clip]\nrate = 'x'", "needs a number"),
        (b"a = " + b"[" * 100_000, "not valid TOML"),
    ],
)
def test_a_bad_file_is_named(tmp_path, content, figures):
    path = tmp_path / "promtrack.toml"
    path.write_bytes(content)
    with pytest.raises(SettingsError, match=r"promtrack\.toml") as caught:
        load_settings(path)
    assert figures in str(caught.value)


def test_a_missing_file_is_named(tmp_path):
    with pytest.raises(SettingsError, match="cannot be read"):
        load_settings(tmp_path / "none.toml")


_VALUES = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    st.floats(),
    st.text(max_size=20),
    st.lists(st.text(max_size=5), max_size=3),
    st.dictionaries(st.text(max_size=3), st.integers(), max_size=2),
)


@given(key=st.one_of(st.sampled_from(KEYS), st.text(max_size=20)), value=_VALUES)
def test_any_value_is_taken_or_refused_in_words(key, value):
    try:
        settings = change_settings(Settings(), {key: value})
    except PromtrackError as error:
        assert key in str(error)
    else:
        assert change_settings(Settings(), tomllib_values(settings)) == settings


def tomllib_values(settings):
    tree = tomllib.loads(settings_as_toml(settings))
    return {
        f"{section}.{name}": value for section, content in tree.items() for name, value in content.items()
    }


def test_slits_hold_commas_of_their_own():
    slits = change_settings(Settings(), {"motion.slits": "radial:124.5,straight:120,5:124,60"}).motion.slits
    assert slits == ("radial:124.5", "straight:120,5:124,60")
    assert change_settings(Settings(), {"motion.sectors": "62-75,80-90"}).motion.sectors == ("62-75", "80-90")


def test_what_was_set_before_and_is_not_now_is_said(tmp_path):
    before = change_settings(Settings(), {"clip.rate": 12, "clip.look": "ash", "strip.high_mm": 90})
    file = tmp_path / "settings.toml"
    assert set_no_more(file, Settings()) == ""
    file.write_text(settings_as_toml(before), encoding="utf-8")
    now = change_settings(Settings(), {"clip.look": "nightfall", "strip.high_mm": 90})
    assert set_no_more(file, now).endswith("at the default: clip.rate=12.0")
    assert set_no_more(file, before) == ""
