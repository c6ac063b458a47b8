"""What pandas makes of the files in this folder: energies and coverage by local day, and in total.

    python history_expected.py > history_expected.json        # pandas 2 or later

Every row stands for the file's interval from its time on; a blank one, or one that is not there, counts as nothing and
covers nothing. bridge/tests/history_figures.rs compares what `overspill import` makes of the same files.
"""

import json
import os

import pandas as pd

HERE = os.path.dirname(os.path.abspath(__file__))


def read(name, time):
    frame = pd.read_csv(os.path.join(HERE, name))
    frame[time] = pd.to_datetime(frame[time])
    return frame.set_index(time)


def localize(frame, zone):
    """Local times as the home reads them: the first of two, and none that does not exist."""
    frame = frame.copy()
    frame.index = frame.index.tz_localize(zone, ambiguous=[True] * len(frame), nonexistent="NaT")
    return frame[frame.index.notna()]


def figures(kwh, minutes):
    """`kwh` is a series by time, each value the energy of one interval of so many minutes."""
    known = kwh.dropna()
    by_day = known.groupby(known.index.strftime("%Y-%m-%d"))
    return {
        "kwh": known.sum(),
        "covered_s": int(len(known) * minutes * 60),
        "days": {
            day: {"kwh": group.sum(), "covered_s": int(len(group) * minutes * 60)} for day, group in by_day
        },
    }


def one_minute(name, zone):
    frame = read(name, "timestamp_utc")
    frame.index = frame.index.tz_convert(zone)
    kwh = 1 / 60_000
    return {
        "import": figures(frame["grid_w"].clip(lower=0) * kwh, 1),
        "export": figures((-frame["grid_w"]).clip(lower=0) * kwh, 1),
        "solar": figures(frame["pv_w"] * kwh, 1),
        "house": figures(frame["load_w"] * kwh, 1),
    }


def with_hole():
    frame = localize(read("household_with_hole_3d_1min.csv", "timestamp_local"), "Europe/Paris")
    frame = frame[frame["filled"] == 0]
    return {"house": figures(frame["active_power_kw"] / 60, 1)}


def year():
    frame = read("year_2008_30min.csv", "timestamp_fixed_offset").tz_localize("UTC")
    columns = {"house": "load_kwh", "solar": "pv_kwh", "import": "import_kwh", "export": "export_kwh"}
    return {flow: figures(frame[column], 30) for flow, column in columns.items()}


def roof(name):
    frame = localize(read(name, "timestamp_logger"), "America/Denver")
    return {"solar": figures(frame["ac_power_w"] / 4000, 15)}


print(
    json.dumps(
        {
            "broken_cloud_day_1min.csv": one_minute("broken_cloud_day_1min.csv", "America/Denver"),
            "spring_43h_1min.csv": one_minute("spring_43h_1min.csv", "America/Denver"),
            "household_with_hole_3d_1min.csv": with_hole(),
            "year_2008_30min.csv": year(),
            "roof_clocks_forward_5d_15min.csv": roof("roof_clocks_forward_5d_15min.csv"),
            "roof_clocks_back_5d_15min.csv": roof("roof_clocks_back_5d_15min.csv"),
        },
        indent=1,
    )
)
