"""Capacity by standard, against published counts and the counts of real drives."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mendbay.core.capacity import Fit, advertised, standard_sectors

STANDARD = [
    # GB, 512-byte sectors, bytes, 4096-byte sectors
    (80, 156_301_488, 80_026_361_856, 19_537_686),  # printed in IDEMA LBA1-02
    (160, 312_581_808, 160_041_885_696, 39_072_726),  # and met in a dump, see REAL
    (250, 488_397_168, 250_059_350_016, 61_049_646),  # and met in a dump
    (500, 976_773_168, 500_107_862_016, 122_096_646),  # and met in a dump
    (1000, 0x74706DB0, 1_000_204_886_016, 244_190_646),  # by the rule of LBA1-02, as the ones below
    (2000, 3_907_029_168, 2_000_398_934_016, 488_378_646),
    (3000, 5_860_533_168, 3_000_592_982_016, 732_566_646),
    (4000, 7_814_037_168, 4_000_787_030_016, 976_754_646),
    (5000, 9_767_541_168, 5_000_981_078_016, 1_220_942_646),  # seen in a published drive listing
    (6000, 11_721_045_168, 6_001_175_126_016, 1_465_130_646),
    (8000, 15_628_053_168, 8_001_563_222_016, 1_953_506_646),
    (12_000, 23_437_770_752, 12_000_138_625_024, 2_929_721_344),  # quoted with SFF-8447, clause 4.2.1
    (16_000, 31_251_759_104, 16_000_900_661_248, 3_906_469_888),  # by the same rule
]

REAL = [
    # Sectors of 512 bytes of real drives, and the class whose standard count they are, from the
    # IDENTIFY sectors in the blob-examples of libatasmart 0.19 (source archive, LGPL-2.1-or-later).
    (234_441_648, 120),
    (488_397_168, 250),
    (312_581_808, 160),
    (156_301_488, 80),
    (117_231_408, 60),
    (976_773_168, 500),
    (250_069_680, 128),
    (195_371_568, 100),
]


@pytest.mark.parametrize(("gb", "sectors_512", "size", "sectors_4096"), STANDARD)
def test_standard_counts(gb: int, sectors_512: int, size: int, sectors_4096: int) -> None:
    assert standard_sectors(gb, 512) == sectors_512
    assert standard_sectors(gb, 4096) == sectors_4096
    assert sectors_512 * 512 == sectors_4096 * 4096 == size


@pytest.mark.parametrize(("gb", "sectors_512", "size", "sectors_4096"), STANDARD)
@pytest.mark.parametrize("sector_bytes", [512, 4096])
def test_a_standard_size_conforms(
    gb: int, sectors_512: int, size: int, sectors_4096: int, sector_bytes: int
) -> None:
    seen = advertised(size, sector_bytes)
    assert (seen.fit, seen.advertised_gb, seen.surplus_sectors) == (Fit.CONFORMING, gb, 0)
    assert seen.standard_sectors == (sectors_512 if sector_bytes == 512 else sectors_4096)
    assert advertised(size, sector_bytes, label_gb=gb).fit is Fit.CONFORMING


def test_large_classes_are_whole_gib() -> None:
    """11 176 and 14 902 GiB exactly, as the thread that quotes SFF-8447 states for 12 TB."""
    assert standard_sectors(12_000, 512) * 512 == 11_176 * 2**30
    assert standard_sectors(16_000, 512) * 512 == 14_902 * 2**30


@pytest.mark.parametrize("gb", [0, 50])
def test_the_standard_begins_above_50_gb(gb: int) -> None:
    with pytest.raises(ValueError, match="above 50 GB"):
        standard_sectors(gb, 512)


def test_no_figure_is_invented_for_other_sectors() -> None:
    with pytest.raises(ValueError, match="520 bytes"):
        standard_sectors(500, 520)
    seen = advertised(976_773_168 * 520, 520)
    assert (seen.fit, seen.standard_sectors) == (Fit.OWN_COUNT, None)


@pytest.mark.parametrize(("sectors", "gb"), REAL)
def test_real_conforming_drives(sectors: int, gb: int) -> None:
    seen = advertised(sectors * 512, 512)
    assert (seen.fit, seen.advertised_gb) == (Fit.CONFORMING, gb)


@pytest.mark.parametrize(
    ("sectors", "fit", "gb", "surplus"),
    [
        # real drives off the standard, from the same archive as REAL
        (488_281_250, Fit.OWN_COUNT, 250, -115_918),  # exactly 250 000 000 000 bytes
        (156_368_016, Fit.OWN_COUNT, 80, 66_528),
        (39_100_223, Fit.OLDER, None, None),
        (120_060_864, Fit.OLDER, None, None),
        # one 12 TB drive with more than the standard, reported where SFF-8447 4.2.1 is quoted
        (23_440_115_664, Fit.OWN_COUNT, 12_000, 2_344_912),
    ],
)
def test_real_drives_off_the_standard_raise_no_alarm(
    sectors: int, fit: Fit, gb: int | None, surplus: int | None
) -> None:
    seen = advertised(sectors * 512, 512)
    assert (seen.fit, seen.advertised_gb, seen.surplus_sectors) == (fit, gb, surplus)
    for alarm in ("!", "hides", "missing", "fault", "wrong", "fail", "danger", "another drive", "adapter"):
        assert alarm not in seen.sentence.lower(), seen.sentence


@pytest.mark.parametrize("hidden_sectors", [1, 2048, 4_000_000])
def test_a_slightly_short_drive_is_not_called_clipped(hidden_sectors: int) -> None:
    seen = advertised((976_773_168 - hidden_sectors) * 512, 512, label_gb=500)
    assert (seen.fit, seen.surplus_sectors) == (Fit.OWN_COUNT, -hidden_sectors)
    assert "replacement must hold at least as many" in seen.sentence


@pytest.mark.parametrize("sectors", [2**28 - 1, 2**28, 2**32 - 1, 2**32])
def test_counts_where_an_address_runs_out(sectors: int) -> None:
    """ATA IDENTIFY words 60-61 stop at 268 435 455 (ACS-3, 7.12.7); the others are arithmetic."""
    seen = advertised(sectors * 512, 512)
    assert seen.fit is Fit.CLIPPED
    assert "adapter" in seen.sentence


def test_a_count_cut_to_32_bits() -> None:
    """3 TB through an adapter that passes on the lowest 32 bits reads 802 GB (arithmetic, no source)."""
    seen = advertised((5_860_533_168 - 2**32) * 512, 512)
    assert (seen.fit, seen.advertised_gb) == (Fit.CLIPPED, 3000)
    assert advertised((5_860_533_168 - 2**32) * 512, 512, label_gb=3000).advertised_gb == 3000


def test_far_below_its_label() -> None:
    seen = advertised(250_059_350_016, 512, label_gb=500)
    assert (seen.fit, seen.advertised_gb) == (Fit.CLIPPED, 500)
    assert seen.surplus_sectors == 488_397_168 - 976_773_168
    assert advertised(250_059_350_016, 512).fit is Fit.CONFORMING


def test_far_above_its_label() -> None:
    seen = advertised(500_107_862_016, 512, label_gb=250)
    assert seen.fit is Fit.ABSURD
    assert "250\u2009GB on the label" in seen.sentence


@pytest.mark.parametrize(
    ("size", "sector_bytes"),
    [(0, 512), (-512, 512), (1000, 512), (512 * (2**48 + 1), 512), (512, 0), (4096, -8), (10_000, 1000 + 1)],
)
def test_absurd_sizes(size: int, sector_bytes: int) -> None:
    seen = advertised(size, sector_bytes)
    assert (seen.fit, seen.advertised_gb) == (Fit.ABSURD, None)
    assert seen.sentence.endswith(".")


@given(st.integers(51, 8000), st.sampled_from([512, 4096]))
def test_every_class_up_to_8000_gb_is_recognised(gb: int, sector_bytes: int) -> None:
    seen = advertised(standard_sectors(gb, sector_bytes) * sector_bytes, sector_bytes)
    assert (seen.fit, seen.advertised_gb) == (Fit.CONFORMING, gb)


@given(st.integers(801, 4000), st.sampled_from([512, 4096]))
def test_every_larger_class_in_tens_of_gb_is_recognised(tens: int, sector_bytes: int) -> None:
    seen = advertised(standard_sectors(tens * 10, sector_bytes) * sector_bytes, sector_bytes)
    assert (seen.fit, seen.advertised_gb) == (Fit.CONFORMING, tens * 10)


@given(st.integers(-(2**40), 2**60), st.integers(-8, 5000), st.none() | st.integers(1, 40_000))
def test_any_size_has_one_calm_sentence(size: int, sector_bytes: int, label: int | None) -> None:
    seen = advertised(size, sector_bytes, label)
    assert seen.sentence.endswith(".")
    assert "!" not in seen.sentence
    assert "None" not in seen.sentence
    if seen.standard_sectors is not None:
        assert seen.surplus_sectors == size // sector_bytes - seen.standard_sectors
    assert (seen.fit is Fit.CONFORMING) <= (seen.surplus_sectors in (0, None))
