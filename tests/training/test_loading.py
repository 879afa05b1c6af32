from __future__ import annotations

from decimal import Decimal
from itertools import product

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.training import reference
from app.training.loading import (
    USUAL_KITS,
    BarKit,
    Kit,
    KitError,
    NotLoadable,
    Plate,
    RackKit,
    Steps,
    kit_from_dict,
    kit_to_dict,
    loadable,
    loadable_set,
    per_side,
    round_to_loadable,
    smallest_increment,
)
from app.training.prescription import Mass

KG_BAR = USUAL_KITS["barbell", "kg"]
LB_BAR = USUAL_KITS["barbell", "lb"]


def kg(value: str | int) -> Mass:
    return Mass(Decimal(value), "kg")


def bar_kits() -> st.SearchStrategy[BarKit]:
    sizes = ["25", "20", "15", "10", "5", "2.5", "2", "1.5", "1.25", "1", "0.5"]
    plates = st.lists(st.sampled_from(sizes), unique=True, min_size=1, max_size=5).flatmap(
        lambda chosen: st.tuples(*(st.builds(Plate, st.just(kg(s)), st.integers(0, 3)) for s in chosen))
    )
    pounds = st.builds(lambda n: Plate(Mass(Decimal(n), "lb"), 2), st.sampled_from([45, 25, 10]))
    return st.builds(
        lambda bar, some, odd, collar: BarKit(kg(bar), (*some, odd), kg(collar)),
        st.sampled_from(["20", "15", "7.5"]),
        plates,
        pounds,
        st.sampled_from(["0", "2.5"]),
    )


def racks() -> st.SearchStrategy[RackKit]:
    run = st.builds(
        lambda first, count, step: Steps(kg(first), Mass(first + count * step, "kg"), Mass(step, "kg")),
        st.integers(1, 40).map(Decimal),
        st.integers(0, 20),
        st.sampled_from([Decimal("0.5"), Decimal(1), Decimal("2.5"), Decimal(4)]),
    )
    return st.lists(run, min_size=1, max_size=3).map(lambda runs: RackKit("dumbbell", tuple(runs)))


kits: st.SearchStrategy[Kit] = bar_kits() | racks()


@pytest.mark.published
def test_plates_a_side_agree_with_the_worked_loadings() -> None:
    # shared/plate_loading_checks.csv: IPF disc set (constructed rows, largest first, unlimited pairs).
    rows = reference.usable("plate_loading_checks")
    assert len(rows) >= 10
    discs = tuple(Plate(kg(size), 10) for size in ("25", "20", "15", "10", "5", "2.5", "1.25"))
    for row in rows:
        kit = BarKit(kg(row["bar_kg"]), discs, kg(row["collar_kg_each"]))
        found = per_side(round(float(row["total_kg"]) * 1000), kit)
        if float(row["one_side_remainder_kg"]) > 0:
            assert isinstance(found, NotLoadable), row["how"]
            assert found.below == 100_000, "102 kg leaves 1 kg a side"
            assert found.above == 102_500
        else:
            expected = [] if row["one_side_discs"] == "none" else row["one_side_discs"].split("+")
            assert not isinstance(found, NotLoadable), row
            assert [str(mass.value) for mass in found] == expected, row["source"]


@pytest.mark.published
def test_a_federation_bar_and_its_discs_make_every_load_a_platform_calls() -> None:
    # shared/federation_equipment.csv: IWF section 3.3, bar, collars and discs (verified rows).
    rows = [row for row in reference.usable("federation_equipment") if row["body"] == "IWF"]
    value = {row["item"]: row["kg_or_value"] for row in rows}
    discs = tuple(Plate(kg(row["kg_or_value"]), 8) for row in rows if row["item"] == "disc")
    assert len(discs) == 10
    kit = BarKit(kg(value["bar_men"]), discs, kg(value["collar_each"]))
    # The bar itself is the lightest; one kilogram steps follow from the 0.5 kg disc.
    whole = np.arange(25_000, 260_001, 1000)
    assert np.isin(whole, loadable_set(kit)).all()


def test_pounds_stay_pounds() -> None:
    # Four 45 lb plates on a 45 lb bar: 225 lb is 102058.28 g (shared/unit_conversion.csv), not 5 x 20412.
    assert isinstance(LB_BAR, BarKit)
    assert loadable(102_058.28, LB_BAR) == 102_058
    found = per_side(102_058, LB_BAR)
    assert not isinstance(found, NotLoadable)
    assert [str(plate) for plate in found] == ["45 lb", "45 lb"]


def test_fewest_plates_win_over_the_largest_first() -> None:
    kit = BarKit(kg(20), (Plate(kg(25), 1), Plate(kg(20), 2), Plate(kg(5), 4)))
    found = per_side(100_000, kit)  # 40 a side: 20+20, not 25+5+5+5
    assert found == (kg(20), kg(20))


def test_a_load_out_of_reach_says_why_and_names_its_neighbours() -> None:
    kit = BarKit(kg(20), (Plate(kg(20), 1), Plate(kg(5), 1)))
    assert per_side(15_000, kit) == NotLoadable("It is lighter than the bar with its collars.", None, 20_000)
    assert per_side(90_000, kit) == NotLoadable("There are not enough plates for it.", 70_000, None)
    assert per_side(40_000, kit) == NotLoadable("No combination of the plates makes it.", 30_000, 60_000)


def test_rounding_goes_where_it_is_told_and_halfway_goes_down() -> None:
    assert [loadable(101_250, KG_BAR, r) for r in ("nearest", "down", "up")] == [100_000, 100_000, 102_500]  # type: ignore[arg-type]
    assert loadable(101_300, KG_BAR) == 102_500
    assert loadable(3_000, KG_BAR) == 20_000
    assert loadable(9_999_999, KG_BAR) == int(loadable_set(KG_BAR)[-1])
    with pytest.raises(ValueError, match="finite"):
        loadable(float("nan"), KG_BAR)


def test_dumbbells_step_coarser_as_they_get_heavier() -> None:
    rack = USUAL_KITS["dumbbell", "kg"]
    assert smallest_increment(8_000, rack) == 1_000
    assert smallest_increment(20_000, rack) == 2_500
    assert smallest_increment(60_000, rack) == 0


@given(kits, st.floats(0, 400_000), st.sampled_from(["nearest", "down", "up"]))
def test_every_rounded_load_can_be_shown(kit: Kit, target: float, rounding: str) -> None:
    load = loadable(target, kit, rounding)  # type: ignore[arg-type]
    loads = loadable_set(kit)
    assert load in loads
    if rounding == "nearest":
        assert abs(load - target) == np.abs(loads - target).min()
    elif loads[0] <= target <= loads[-1]:
        assert load <= target + 0.5 if rounding == "down" else load >= target - 0.5
    if isinstance(kit, BarKit):
        plates = per_side(load, kit)
        assert not isinstance(plates, NotLoadable)
        total = kit.bar.grams + 2 * kit.collar.grams + 2 * sum(plate.grams for plate in plates)
        assert abs(total - load) <= 0.5


@given(bar_kits())
def test_the_loadable_set_is_the_set_of_all_combinations(kit: BarKit) -> None:
    slow = {
        round(
            kit.bar.grams
            + 2 * kit.collar.grams
            + 2 * sum(n * p.mass.grams for n, p in zip(counts, kit.plates, strict=True))
        )
        for counts in product(*(range(plate.pairs + 1) for plate in kit.plates))
    }
    assert set(loadable_set(kit).tolist()) == slow


@given(kits, st.lists(st.floats(0, 400_000), min_size=1, max_size=20))
def test_rounding_many_is_rounding_each_and_rounding_again_changes_nothing(
    kit: Kit, targets: list[float]
) -> None:
    together = round_to_loadable(np.array(targets), kit)
    assert together.tolist() == [loadable(target, kit) for target in targets]
    assert (round_to_loadable(together, kit) == together).all()


@given(kits)
def test_a_kit_survives_being_stored(kit: Kit) -> None:
    assert loadable_set(kit_from_dict(kit_to_dict(kit))).tolist() == loadable_set(kit).tolist()


@pytest.mark.parametrize("kit", USUAL_KITS.values())
def test_the_usual_kits_can_be_stored(kit: Kit) -> None:
    assert kit_from_dict(kit_to_dict(kit)) == kit


@pytest.mark.parametrize(
    ("data", "words"),
    [
        ([], "implement"),
        ({"implement": "barbell"}, "a bar with a collar"),
        ({"implement": "barbell", "bar": "20", "collar": "0 kg", "plates": []}, "The bar needs a mass"),
        ({"implement": "b", "bar": "20 kg", "collar": "0 kg", "plates": [["5 kg", 99]]}, "from 0 to 20"),
        ({"implement": "b", "bar": "20 kg", "collar": "0 kg", "plates": [["0 kg", 1]]}, "more than nothing"),
        ({"implement": "b", "bar": "20 kg", "collar": "0 kg", "plates": [["5 kg", 1]] * 2}, "once"),
        ({"implement": "b", "bar": "20 kg", "collar": "0 kg", "plates": ["5 kg"]}, "number of pairs"),
        ({"implement": "dumbbell", "steps": []}, "1 to 50"),
        ({"implement": "dumbbell", "steps": [["10 kg", "5 kg", "1 kg"]]}, "upwards"),
        ({"implement": "dumbbell", "steps": [["1 kg", "5 kg", "0 kg"]]}, "at least 0.1 kg"),
        ({"implement": "dumbbell", "steps": [["1 kg", "5 kg"]]}, "its first, its last"),
    ],
)
def test_equipment_that_cannot_be_is_refused_in_words(data: object, words: str) -> None:
    with pytest.raises(KitError, match=words):
        kit_from_dict(data)
