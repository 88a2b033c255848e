#!/usr/bin/env python3
"""Window aggregates of real sea water, worked out by pandas and numpy: `windows.csv`.

    python3 windows.py sea_surface_temperature.csv.gz

The argument is bokeh_sampledata/_data/sea_surface_temperature.csv.gz of the Python package
bokeh-sampledata 2026.1: buoy B01, Gulf of Maine, every 30 min, from NERACOOS, free to use and
redistribute. A fortnight of it with its longest gap (12 h) becomes `sea_water.csv`.

A value counts until the next one, 90 min at most. All is laid on a grid of minutes, and each
window is a slice of it: 240 whole parts, ending where no reading comes.
"""
import sys
import numpy as np
import pandas as pd

frame = pd.read_csv(sys.argv[1])
time, value = frame.columns
frame[time] = pd.to_datetime(frame[time], utc=True)
sea = frame.set_index(time)[value].groupby(level=0).first()
gap = sea.index.to_series().diff().idxmax()
sea = sea[gap - pd.Timedelta("8D"):gap + pd.Timedelta("6D")]
start = sea.index[0]
minutes = ((sea.index - start).total_seconds() // 60).astype(int)
with open("sea_water.csv", "w") as out:
    out.write("# Sea surface temperature, buoy B01, Gulf of Maine (NERACOOS): see windows.py\nminute,degC\n")
    for minute, value in zip(minutes, sea.to_numpy()):
        out.write(f"{minute},{value}\n")

grid = pd.Series(np.nan, index=range(minutes[-1] + 1))
grid[minutes] = sea.to_numpy()
grid = grid.ffill(limit=89).to_numpy()
LIMIT = float(np.round(np.nanmedian(grid), 1)) + 0.013


def runs(true):
    lengths, run = [], 0
    for value in true:
        if value:
            run += 1
        elif run:
            lengths.append(run)
            run = 0
    return lengths + ([run] if run else [])


def aggregates(window, before, part):
    known = window[~np.isnan(window)]
    if len(known) < 0.75 * len(window):
        return None
    parts = pd.DataFrame(window.reshape(-1, part)).mean(axis=1)  # of what is known of each part
    weights = (~np.isnan(window.reshape(-1, part))).sum(axis=1)
    whole = weights == part
    assert (whole | (weights == 0)).all(), "no part is half known, so weights are all alike"
    x = (np.arange(len(parts)) * part * 60.0)[whole]
    above = window > LIMIT
    # Over a stretch that was not seen, what is seen after it is compared with what was before.
    steps = np.concatenate([before[~np.isnan(before)][-1:], known]) > LIMIT
    begun = (steps[1:] & ~steps[:-1]).sum()
    return {
        "mean": known.mean(),
        "median": np.median(parts[whole]),
        "lowest": known.min(),
        "highest": known.max(),
        "swing": np.ptp(known),
        "slope": np.polyfit(x - x.mean(), parts[whole], 1)[0],
        "duty": (known > LIMIT).mean(),
        "total": above.sum() * 60.0,
        "changes": int((steps[1:] != steps[:-1]).sum()),
        "spells": int(begun + above[0]),
        "longest": max(runs(above), default=0) * 60.0,
    }


rows = []
for days, lag in [(1, 0), (2.5, 1)]:
    length, part = int(days * 1440), int(days * 6)
    for now in range(length + lag * 1440 + part, len(grid), 30 * part):
        end = now - lag * 1440
        assert now % part == 0 and now % 30
        found = aggregates(grid[end - length:end], grid[:end - length], part)
        if found:
            rows.append({"now": now, "days": days, "lag": lag, **found})
table = pd.DataFrame(rows)
with open("windows.csv", "w") as out:
    out.write(f"# By windows.py with numpy {np.__version__}, pandas {pd.__version__}; limit {LIMIT}\n")
    table.to_csv(out, index=False)
print(len(sea), "readings,", len(table), "windows")
