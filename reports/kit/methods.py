"""Where the handbook says how a figure is had: each figure, flag and rule has one method page."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

__all__ = ["METHODS", "NO_METHOD", "Method"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Method:
    """One method page, `reports/handbook/method/NAME.md`, and what it speaks of.

    Parameters
    ----------
    name
        Of the page; its title stands in `reports.words.handbook`.
    sections
        Names of sections that end with a link to it, by kind of page, separated by spaces.
    figures
        Fields by the class of results that holds them (`schemas`), separated by spaces.
    labels
        Keys of texts by their dictionary (`reports.words`), separated by spaces; they become links.
    flags, rules
        Codes of flags, ids of rules, separated by spaces.
    """

    name: str
    sections: Mapping[str, str] = field(default_factory=dict)
    figures: Mapping[str, str] = field(default_factory=dict)
    labels: Mapping[str, str] = field(default_factory=dict)
    flags: str = ""
    rules: str = ""


METHODS: tuple[Method, ...] = (
    Method(
        name="verdict",
        sections={"lot": "support"},
        labels={
            "general.COLUMN": "verdict support before after",
            "review.COLUMN": "verdict support missed",
            "process.COLUMN": "verdict accepted held rejected not_assessed",
        },
        flags="clock_unknown non_readings excluded conflicting_reexport part_not_stated block_results taken_by_hand "
        "scatter_unknown meter_not_registered outside_meter_range without_reference",
    ),
    Method(
        name="conformity",
        sections={"lot": "conformity rule"},
        figures={
            "Conformity": "lowest highest standard_uncertainty degrees_of_freedom coverage_factor expanded_uncertainty known_bias "
            "guard_band required_probability acceptance_lower acceptance_upper conformance_probability false_acceptance_risk "
            "false_rejection_risk",
            "ReportedLot": "lowest highest compared_expanded_uncertainty compared_coverage_factor guard_band acceptance_lower "
            "acceptance_upper",
        },
        labels={
            "general.COLUMN": "of_limits in_limits_unit",
            "general.FRAGMENT": "rule rounding",
            "uncertainty.CONFORMITY": "guard zone uncertainty bias",
        },
    ),
    Method(
        name="uncertainty",
        sections={"lot": "uncertainty", "meter": "more", "review": "budgets"},
        figures={
            "LotResult": "expanded_uncertainty coverage_factor",
            "ReportedLot": "expanded_uncertainty coverage_factor",
            "EveryReading": "expanded_uncertainty",
            "Contribution": "standard_uncertainty degrees_of_freedom",
            "Budget": "level standard_uncertainty degrees_of_freedom coverage_factor expanded_uncertainty uncorrected_bias",
            "ReviewBudget": "lowest median highest share_of_variance",
        },
        labels={
            "general.KEY": "expanded_uncertainty",
            "uncertainty.BUDGET": "combined effective factor expanded degrees share averages",
            "review.COLUMN": "lowest median highest largest",
        },
    ),
    Method(
        name="known-bias",
        sections={"lot": "uncertainty", "meter": "bias_line"},
        figures={"BiasAtLevel": "known_bias known_bias_standard_uncertainty known_bias_degrees_of_freedom"},
        labels={"uncertainty.BIAS": "known u_bias", "uncertainty.BUDGET": "bias"},
    ),
    Method(
        name="bias-line",
        sections={"lot": "uncertainty", "meter": "bias_line"},
        figures={
            "BiasPoint": "bias scatter_standard_uncertainty certificate_standard_uncertainty standard_uncertainty",
            "BothAxes": "bias slope bias_standard_uncertainty slope_standard_uncertainty chi_squared",
            "InverseValue": "reading value interval",
            "RunOnLine": "deviations largest limit",
            "BiasLine": "centre bias slope slope_interval covariance chi_squared chi_squared_limit scatter_covariance "
            "scatter_degrees_of_freedom enlarged lowest highest",
            "BiasAtLevel": "level bias standard_uncertainty degrees_of_freedom beyond",
        },
        labels={"uncertainty.BIAS": "scatter certificate on_line u_line applied"},
        flags="bias_line_not_applied",
    ),
    Method(
        name="lot-statistics",
        sections={"lot": "figures annex"},
        figures={
            "LotResult": "mean standard_deviation minimum maximum repeatability repeatability_degrees_of_freedom",
            "ReportedLot": "mean",
            "EarlierLot": "mean",
            "EveryReading": "mean standard_deviation minimum maximum",
        },
        labels={
            "general.KEY": "mean standard_deviation minimum maximum repeatability counts",
            "general.COLUMN": "mean s_repeats s_spots",
        },
    ),
    Method(
        name="capability",
        sections={"lot": "figures capability"},
        figures={
            "LotResult": "within_standard_deviation within_degrees_of_freedom cp cp_interval cpk cpk_interval pp pp_interval ppk "
            "ppk_interval",
            "CapabilityDetail": "lost_off_centre",
        },
        labels={
            "general.KEY": "capability cp cpk pp ppk within_standard_deviation",
            "lot_detail.INDEX": "cp cpk pp ppk",
            "lot_detail.COLUMN": "index",
        },
    ),
    Method(
        name="intervals",
        sections={"lot": "capability"},
        figures={
            "IntervalsDetail": "confidence mean_interval tolerance_coverage tolerance_lower tolerance_upper cpm cpm_interval"
        },
        labels={"lot_detail.INDEX": "cpm"},
    ),
    Method(
        name="stability",
        sections={"lot": "capability"},
        figures={"StabilityDetail": "autocorrelation autocorrelation_bound"},
        rules="beyond moving_range run trend neighbours",
    ),
    Method(
        name="distribution",
        sections={"lot": "capability"},
        figures={
            "NormalityDetail": "statistic corrected_statistic p_value",
            "QuantileIndices": "quantile_pp quantile_ppk low_quantile median high_quantile fit_p_value",
            "ExpectedOutside": "observed observed_interval below above total interval",
        },
        labels={"lot_detail.INDEX": "quantile_pp quantile_ppk"},
    ),
    Method(
        name="components",
        sections={"lot": "components"},
        figures={
            "ComponentLine": "degrees_of_freedom raw variance standard_deviation share low high f_ratio p_value",
            "AnovaComponent": "degrees_of_freedom sum_of_squares mean_square raw variance standard_deviation share interval f_ratio "
            "p_value",
            "RemlComponent": "variance standard_deviation share likelihood_ratio p_value",
            "ComponentsOfLots": "mean",
        },
        labels={"lot_detail.COLUMN": "variance deviation share f degrees"},
        flags="spots_differ_within_parts",
    ),
    Method(
        name="outliers",
        sections={"lot": "suspects"},
        figures={"SuspectValue": "deviation statistic critical", "SuspectsDetail": "significance"},
        labels={"lot_detail.COLUMN": "from_mean statistic critical tests"},
    ),
    Method(
        name="plan-by-variables",
        sections={"lot": "plan"},
        figures={"PlanDetail": "quality_lower quality_upper nonconforming most_nonconforming quality_at"},
        labels={
            "lot_detail.PLAN": "most_nonconforming nonconforming quality_lower quality_upper",
            "lot_detail.COLUMN": "accepted nonconforming",
        },
    ),
    Method(
        name="material",
        sections={"lot": "material"},
        figures={
            "MaterialLine": "distance likelihood probability odds",
            "PartMaterial": "mean probability",
            "GroupsDetail": "p_value separation lower_mean upper_mean within_standard_deviation",
            "MaterialDetail": "value standard_uncertainty",
        },
        labels={
            "lot_detail.COLUMN": "distance probability odds likely fitting fits",
        },
        flags="more_than_one_group material_does_not_fit",
    ),
    Method(
        name="hardness",
        sections={"lot": "hardness"},
        figures={"HardnessResult": "conductivity", "HeatTreatmentDetail": "mean"},
        flags="hardness_of_unread_part",
    ),
    Method(
        name="temperature",
        sections={"lot": "annex"},
        figures={"Exclusion": "value_at_reference"},
        labels={
            "general.COLUMN": "at_reference factor state temperature",
            "general.FRAGMENT": "models reference",
        },
        flags="temperature_source temperature_old metal_outside_working_range block_and_part_apart",
    ),
    Method(
        name="units",
        labels={"general.FRAGMENT": "unit"},
    ),
    Method(
        name="sensors",
        figures={"SensorCheck": "error_c"},
        flags="sensor_overdue sensor_in_doubt sensor_check_missing sensor_not_registered",
    ),
    Method(
        name="corrections",
        sections={"lot": "corrections"},
        figures={"AppliedCorrection": "mean_before mean_after"},
        labels={"corrections.COLUMN": "value before after u"},
        flags="corrected_for_geometry correction_not_applied",
    ),
    Method(
        name="thickness-and-shape",
        flags="too_thin coating_beyond_lift_off curved_without_compensation spot_too_small",
    ),
    Method(
        name="checks",
        sections={
            "meter": "figures strips blocks checks calibrations",
            "block": "meters checks",
            "event": "checks calibrations",
            "review": "bias front_bias",
        },
        figures={
            "BlockSummary": "bias last_bias standard_deviation",
            "CameToLight": "bias",
            "ReviewBlock": "bias bias_interval standard_deviation",
            "ReviewSignal": "bias",
            "MeterOnBlock": "mean bias last_bias standard_deviation",
        },
        labels={
            "general.KEY": "checks runs last_run last_setting",
            "general.COLUMN": "bias last_bias tolerance meter_state run last_run certified",
            "review.COLUMN": "bias tolerance failed runs state",
            "event.COLUMN": "deviation",
            "block.COLUMN": "s",
        },
        flags="block_overdue block_used_overdue calibration_out_of_tolerance read_after_hand_over",
    ),
    Method(
        name="control-limits",
        sections={"meter": "strips blocks signals", "review": "signals"},
        figures={
            "BlockSummary": "centre limits warning_limits limit_widening",
            "Signal": "value_z",
            "ReviewSignal": "value_z",
        },
        labels={
            "general.KEY": "warnings",
            "general.COLUMN": "limits z rejects rule",
            "review.COLUMN": "z_range rule rules",
            "drift.COLUMN": "warnings",
        },
        flags="baseline_with_failed_checks baseline_would_change",
        rules="1-2s 1-3s 2-2s 4-1s 10-x 2-2s-across R-4s",
    ),
    Method(
        name="precision",
        sections={"meter": "blocks signals"},
        figures={
            "BlockSummary": "within_standard_deviation within_degrees_of_freedom precision_limit",
            "PrecisionSignal": "standard_deviation limit",
        },
        labels={"general.COLUMN": "within_s precision"},
    ),
    Method(
        name="drift-charts",
        sections={"meter": "strips drift drift_signals"},
        figures={
            "DriftSignal": "largest limit",
            "DriftChart": "run_length ewma_weight ewma_width ewma_limit ewma ewma_run_length_if_known cusum_reference_value "
            "cusum_interval cusum_high cusum_low cusum_run_length_if_known",
        },
        labels={"drift.COLUMN": "ewma cusum chart largest limit"},
    ),
    Method(
        name="drift-forecast",
        sections={"meter": "strips drift", "review": "bias"},
        figures={
            "Drift": "slope_per_30_days interval slope_since_per_30_days scatter correlation",
            "ReviewBlock": "slope_per_30_days interval",
        },
        labels={
            "general.COLUMN": "slope leaves",
            "drift.COLUMN": "drifting slope_since day_interval line",
            "review.COLUMN": "slope leaves",
        },
    ),
    Method(
        name="look-back",
        sections={"meter": "drift events more", "event": "lots", "review": "events"},
        figures={
            "BiasChange": "level change",
            "EventLot": "errors_to_limit",
            "CheckInterval": "lots_median readings_median",
        },
        labels={
            "general.KEY": "events",
            "event.COLUMN": "errors_to_limit in_errors doubt settled",
            "drift.COLUMN": "hours lots_median lots_largest readings_median readings_largest",
        },
    ),
    Method(
        name="agreement",
        sections={
            "lot": "agreement",
            "block": "certificates agreement",
            "review": "agreement blocks",
            "meter": "agreement",
            "supplier": "agreement",
            "process": "agreement",
        },
        figures={
            "MeterDifference": "difference interval standard_uncertainty degrees_of_freedom e_n",
            "ReviewAgreement": "difference interval e_n",
            "ComparedMeter": "mean percent_difference z h k k_limit cochran cochran_limit",
            "MeterComparison": "robust_mean robust_standard_deviation h_limit",
            "BlockCertificate": "step step_e_n",
            "PlantLevel": "h",
            "GroupOverPlants": "h_limit",
            "Stay": "mean bias standard_deviation own_standard_uncertainty",
        },
        labels={
            "block.COLUMN": "difference e_n z h k_mandel cochran percent claim step",
            "review.COLUMN": "difference en",
        },
    ),
    Method(
        name="block-or-meter",
        sections={"block": "movements"},
        figures={"FoundMovement": "size standard_error f_ratio p_value log_likelihood_ratio"},
        labels={"block.COLUMN": "size error f p times decided rival"},
    ),
    Method(
        name="process-charts",
        sections={"process": "rules phases signals", "supplier": "charts"},
        figures={
            "Baseline": "centre standard_deviation within_standard_deviation",
            "ControlLimits": "lower upper spread_centre spread_lower spread_upper",
            "ProcessSignal": "value z",
            "StreamResult": "ewma_weight",
        },
        labels={
            "process.COLUMN": "centre sigma within_sigma control_limits spread spread_limits ewma z rules rule",
            "process.FACT": "limits spread ewma chance subgroups",
        },
        rules="beyond-limit same-side rising-falling two-of-three four-of-five close-to-centre far-from-centre up-and-down",
    ),
    Method(
        name="level-changes",
        sections={"process": "changes", "supplier": "charts"},
        figures={"LevelChange": "shift p_value"},
        labels={"process.COLUMN": "shift p before after", "process.FACT": "changes"},
    ),
    Method(
        name="supplier",
        sections={"process": "streams plants", "supplier": "materials certificates comparison plants"},
        figures={
            "StreamResult": "mean between_standard_deviation between_interval within_standard_deviation ppk ppk_interval",
            "Peer": "mean mean_interval between_standard_deviation within_standard_deviation ppk ppk_interval",
            "CertificateAgreement": "mean_difference mean_difference_interval standard_deviation limits_of_agreement "
            "largest_normalised_error",
            "SupplierMaterial": "slope_per_30_days slope_interval",
            "GroupOverPlants": "mean mean_interval between_standard_deviation within_standard_deviation",
            "PlantLevel": "mean mean_interval standard_deviation own_standard_uncertainty expanded_uncertainty",
        },
        labels={
            "process.COLUMN": "ppk capability between within mean_difference agreement en largest slope difference",
            "process.FACT": "level agreement",
        },
        flags="supplier_level",
    ),
    Method(
        name="gauge-study",
        sections={"study": "components anova method"},
        figures={
            "StudySource": "sum_of_squares mean_square f_ratio p_value",
            "StudyComponent": "standard_deviation interval percent_of_variance percent_of_study percent_of_tolerance",
            "StudyResult": "judged_percent judged_interval percent_of_study percent_of_study_interval percent_of_tolerance "
            "percent_of_tolerance_interval interaction_p_value",
        },
        labels={
            "study.COLUMN": "study tolerance variance without ss ms f p s",
            "study.FACT": "categories interaction judged intervals width",
        },
    ),
)

NO_METHOD: Mapping[str, str] = {
    "ReportedReadings": "frequencies_khz",
    "ReportedLot": "temperature_low_c temperature_high_c",
    "ReportedBlock": "certified_value expanded_uncertainty coverage_factor",
    "ReportOnLots": "lower upper reference_temperature_c confidence",
    "ComponentsOfLots": "reference_temperature_c",
    "BiasPoint": "certified_value",
    "BiasLine": "frequency_khz correlation",
    "BiasAtLevel": "frequency_khz",
    "BlockCertificate": "value_as_written certified_value expanded_uncertainty coverage_factor",
    "MeterOnBlock": "accuracy",
    "AppliedCorrection": "low high value expanded_uncertainty coverage_factor",
    "DriftSignal": "frequency_khz",
    "DriftChart": "frequency_khz",
    "CheckInterval": "hours",
    "HardnessResult": "value lower upper",
    "Exclusion": "value",
    "CameToLight": "tolerance",
    "IntervalsDetail": "target",
    "SuspectValue": "value",
    "PlanDetail": "k",
    "MaterialLine": "lower upper",
    "StreamResult": "lower upper",
    "ProcessResult": "reference_temperature_c",
    "LotResult": "lower upper lower_as_written upper_as_written reference_temperature_c",
    "Drift": "frequency_khz",
    "PrecisionSignal": "frequency_khz",
    "BlockSummary": "frequency_khz certified_value tolerance",
    "Provenance": "reference_temperature_c",
    "ReviewBlock": "frequency_khz tolerance",
    "Stay": "frequency_khz",
    "SensorCheck": "tolerance_c",
    "StudyResult": "reference_temperature_c tolerance study_width",
    "SupplierMaterial": "ppk_asked lower upper",
    "SupplierResult": "reference_temperature_c",
    "Budget": "frequency_khz",
}
"""Numbers of results that are stated by somebody (limits, certificates, settings) or read as they are, and computed by nobody."""
