"""Wires: what they weigh, how they sag, what heat and cold do, and how they pull. Sums on paper in each test."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from geofence.engine.wire import WireRules, changed_tension_kn, ruling_span_m, sag_m, uplift_kn

WIRE = WireRules(
    heights_m=(0.1, 0.3, 0.6),
    diameter_m=0.0025,
    density_kg_per_m3=7850.0,
    modulus_kpa=2.1e8,
    expansion_per_k=1.2e-5,
    tension_kn=1.1,
    temperature_c=15.0,
    temperature_min_c=-15.0,
    temperature_max_c=45.0,
    tension_max_kn=3.5,
    uplift_max_kn=0.4,
)


class TestSection:
    def test_is_that_of_a_round_wire(self) -> None:
        """pi 2.5^2 / 4 = 4.9087 mm2."""
        assert WIRE.section_m2 == pytest.approx(4.9087e-6, abs=1e-10)

    def test_stiffness(self) -> None:
        """210 kN/mm2 times 4.9087 mm2 = 1030.8 kN."""
        assert WIRE.stiffness_kn == pytest.approx(1030.8, abs=0.05)

    def test_weight(self) -> None:
        """7850 kg/m3 x 4.9087e-6 m2 = 38.53 g/m, which pulls with 0.3779 N/m."""
        assert WIRE.weight_kn_per_m * 1e3 == pytest.approx(0.3779, abs=5e-5)


class TestTension:
    def test_is_what_it_was_strained_to_at_that_temperature(self) -> None:
        assert float(WIRE.tension_at_kn(15.0, 8.0)) == pytest.approx(1.1, abs=1e-12)

    def test_changes_by_ea_alpha_where_sag_is_nothing(self) -> None:
        """1030.8 kN x 12e-6 = 12.37 N a degree; 30 degrees colder 0.371 kN more, in bays of 1 mm, which do not sag."""
        assert float(WIRE.tension_at_kn(-15.0, 0.001)) == pytest.approx(1.1 + 0.3711, abs=1e-4)

    def test_a_wire_that_would_be_slack_hangs_from_its_weight(self) -> None:
        """Without weight 100 K would leave nothing. With it the wire is longer than its bay, T = q R sqrt(EA / 24 K),
        but for the hundredth of a kN of K = 1.4 kN by which it still stretches."""
        hot = float(WIRE.tension_at_kn(15.0 + 200.0, 5.0))
        excess_kn = 1030.8 * 12e-6 * 200 - 1.1
        assert hot == pytest.approx(0.3779e-3 * 5.0 * np.sqrt(1030.8 / 24 / excess_kn), rel=1e-2)

    def test_is_worked_out_for_many_strains_at_once(self) -> None:
        ruling = np.array([0.5, 4.0, 60.0])
        together = WIRE.tension_at_kn(40.0, ruling)
        assert together == pytest.approx([float(WIRE.tension_at_kn(40.0, span)) for span in ruling], rel=1e-14)
        assert together[0] < together[1] < together[2]  # a long bay gives up its sag and keeps its pull

    def test_there_and_back(self) -> None:
        cold = float(WIRE.tension_at_kn(-40.0, 30.0))
        back = replace(WIRE, tension_kn=cold, temperature_c=-40.0).tension_at_kn(15.0, 30.0)
        assert float(back) == pytest.approx(1.1, rel=1e-12)

    @pytest.mark.parametrize("free_strain", [-0.01, -1e-9, 0.0, 1e-9, 0.001, 0.01])
    @pytest.mark.parametrize("weight", [0.0, 1e-9, 4e-4, 0.5])
    def test_satisfies_the_equation(self, free_strain: float, weight: float) -> None:
        before, stiffness, span = 1.1, 1000.0, 12.0
        after = float(
            changed_tension_kn(
                before, stiffness_kn=stiffness, free_strain=free_strain, weight_kn_per_m=weight, ruling_m=span
            )
        )
        if after == 0.0:  # no weight, and warmer than the pull can make up for
            assert weight == 0.0
            assert stiffness * free_strain >= before
            return
        sag = span**2 / 24 * ((weight / after) ** 2 - (weight / before) ** 2)
        scale = max(abs(after - before) / stiffness, abs(free_strain), span**2 / 24 * (weight / after) ** 2, 1e-12)
        assert abs((after - before) / stiffness + free_strain - sag) < 1e-9 * scale


class TestSag:
    def test_of_a_bay(self) -> None:
        """q l^2 / 8T = 0.3779e-3 x 100 / 8.8 = 4.294 mm."""
        assert float(sag_m(10.0, 1.1, WIRE.weight_kn_per_m)) * 1e3 == pytest.approx(4.294, abs=0.001)

    def test_ruling_span_leans_to_the_long_bays(self) -> None:
        """Bays of 3 and 4 m on the level: sqrt((27 + 64) / 7) = 3.6056."""
        bays = np.array([3.0, 4.0])
        assert ruling_span_m(bays, bays) == pytest.approx(3.6056, abs=5e-5)


class TestUplift:
    def test_is_the_vertical_part_of_the_pull(self) -> None:
        """3 m up along 5 m: three fifths."""
        assert float(uplift_kn(2.0, 3.0, 5.0)) == pytest.approx(1.2)

    def test_presses_down_from_a_crest(self) -> None:
        assert float(uplift_kn(2.0, -3.0, 5.0)) == pytest.approx(-1.2)
