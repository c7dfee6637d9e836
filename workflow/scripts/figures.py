from pathlib import Path

from icpcohort import contracts
from icpcohort.contracts import store
from icpcohort.report.figures import canvas, draw_all

thresholds = {
    "icp_above_mmhg": snakemake.params.icp_above_mmhg,
    "cpp_below_mmhg": snakemake.params.cpp_below_mmhg,
}
analysis = contracts.analysis(thresholds)
read = snakemake.input
made = draw_all.all_pictures(
    {
        "analysis": store.read(read.analysis, analysis),
        "flow": store.read(read.flow, contracts.FLOW),
        "quality": store.read(read.quality, contracts.QUALITY),
        "masked": store.read(read.masked, contracts.MASKED),
        "monitors": store.read(read.monitors, contracts.MONITORS),
        "burden": store.read(read.burden, contracts.BURDEN),
        "burden_by_state": store.read(read.by_state, contracts.BURDEN_BY_STATE),
        "intensity": store.read(read.intensity, contracts.INTENSITY),
        "intensity_map": store.read(read.intensity_map, contracts.INTENSITY_MAP),
        "transition": store.read(read.transition, contracts.TRANSITION),
        "summary": store.read(read.summary, contracts.SUMMARY),
        "curves": store.read_patients(read.curves, contracts.CURVES),
        "optima": store.read(read.optima, contracts.OPTIMA),
        "specifications": store.read(read.specifications, contracts.SPECIFICATIONS),
        "specification_options": store.read(
            read.specification_options, contracts.SPECIFICATION_OPTIONS
        ),
        "specification_choices": store.read(
            read.specification_choices, contracts.SPECIFICATION_CHOICES
        ),
        "specification_summary": store.read(
            read.specification_summary, contracts.SPECIFICATION_SUMMARY
        ),
    },
    {
        "estimates": store.read_named(read.estimates, contracts.ESTIMATES),
        "diagnostics": store.read_named(read.diagnostics, contracts.DIAGNOSTICS),
        "curve": store.read_named(read.exposure_curves, contracts.EXPOSURE_CURVE),
    },
    models=snakemake.params.models,
    window=snakemake.params.main_window,
    impaired_prx=snakemake.params.impaired_prx,
)
folder = Path(snakemake.output.files[0]).parent
for picture in made.values():
    canvas.save(picture, folder)
