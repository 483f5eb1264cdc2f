"""
Every cross-check of a configuration, in the order in which a person mends things.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping

from pipeline.errors import Mistake
from pipeline.site import (
    check_assignment,
    check_calibration,
    check_compensation,
    check_coverage,
    check_curve,
    check_derived,
    check_instrument,
    check_names,
    check_numbers,
    check_quality,
    check_rosettes,
    check_rules,
    check_sections,
    check_shunt,
    check_surroundings,
    check_times,
    check_wiring,
)
from pipeline.site.lookup import Lookup, look_up
from pipeline.site.parts import Parts

CHECKS: tuple[Callable[[Lookup], Iterator[Mistake]], ...] = (
    check_surroundings.check_site,
    check_surroundings.check_broker,
    check_surroundings.check_mail,
    check_surroundings.check_people,
    check_names.check_ids,
    check_names.check_duplicates,
    check_names.check_references,
    check_names.check_channel_references,
    check_numbers.check_numbers,
    check_numbers.check_expansions,
    check_times.check_spans,
    check_times.check_overlaps,
    check_wiring.check_channel_units,
    check_wiring.check_channel_fits,
    check_wiring.check_points,
    check_wiring.check_unstrained,
    check_instrument.check_leads,
    check_instrument.check_lead_temperature,
    check_instrument.check_divider,
    check_instrument.check_impedance,
    check_wiring.check_poisson,
    check_shunt.check_shunts,
    check_shunt.check_shunt_points,
    check_compensation.check_choices,
    check_compensation.check_models,
    check_compensation.check_several_arms,
    check_compensation.check_companions,
    check_compensation.check_free,
    check_calibration.check_histories,
    check_calibration.check_owners,
    check_calibration.check_kinds,
    check_calibration.check_climate_tables,
    check_calibration.check_uncertainties,
    check_curve.check_curves,
    check_quality.check_noise_tests,
    check_quality.check_step_tests,
    check_quality.check_strain_tests,
    check_quality.check_drift,
    check_assignment.check_validity,
    check_assignment.check_ownership,
    check_derived.check_derived_ids,
    check_derived.check_derived_numbers,
    check_rosettes.check_rosette_points,
    check_rosettes.check_rosette_angles,
    check_rosettes.check_rosette_numbers,
    check_sections.check_section_points,
    check_sections.check_section_numbers,
    check_rules.check_texts,
    check_rules.check_limits,
    check_rules.check_patterns,
    check_rules.check_rule_units,
    check_rules.check_calibrated_range,
    check_rules.check_silence,
    check_coverage.check_rule_kinds,
    check_coverage.check_watched_points,
    check_coverage.check_installed,
    check_coverage.check_zeros,
)


def find_mistakes(parts: Parts, environ: Mapping[str, str] | None = None) -> list[Mistake]:
    """
    Every mistake between the entries of a configuration, each once, in the order of the checks.

    Args:
        parts: of `pipeline.site.parts.read_parts`; entries that were refused there are not blamed
            a second time.
        environ: the environment of the station; None: whether secrets are set is not checked.
    """
    lookup = look_up(parts)
    found = [mistake for check in CHECKS for mistake in check(lookup)]
    found.extend(check_surroundings.check_secrets(lookup, environ))
    return list(dict.fromkeys(found))
