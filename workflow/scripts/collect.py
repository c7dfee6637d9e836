from icpcohort import contracts, store

recordings = store.read_all(snakemake.input.recordings, contracts.RECORDINGS)
excluded = store.read_all(snakemake.input.excluded, contracts.EXCLUDED)
quality = store.read_all(snakemake.input.quality, contracts.QUALITY)
store.write(recordings, contracts.RECORDINGS, snakemake.output.recordings)
store.write(excluded, contracts.EXCLUDED, snakemake.output.excluded)
store.write(quality, contracts.QUALITY, snakemake.output.quality)
