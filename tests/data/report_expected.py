"""What pandas makes of the files in this folder: what `overspill report` tells of a span.

    python report_expected.py > report_expected.json          # pandas 2 or later

Shares are over the rows in which both of their parts are known (self-consumption: what was made and not sent out over
what was made; self-sufficiency: what was used and not bought over what was used). Hours and nights are those of the
home's clock. bridge/tests/report/ compares what `overspill report` makes of the same files.
"""

import json
import os

import pandas as pd

HERE = os.path.dirname(os.path.abspath(__file__))


def read(name, time):
    frame = pd.read_csv(os.path.join(HERE, name))
    frame[time] = pd.to_datetime(frame[time])
    return frame.set_index(time)


def night_floor_w(house, minutes):
    """The median over the nights (midnight to 6) of the least hour, each half hour of it known whole."""
    half = house.resample("30min").agg(["sum", "count"])
    half = half[half["count"] == 30 / minutes]["sum"]
    night = half[half.index.hour < 6]
    least = []
    for _, one in night.groupby(night.index.date):
        following = one.reindex(one.index + pd.Timedelta("30min")).to_numpy()
        if len(one) >= 8:
            least.append(pd.Series(one.to_numpy() + following).min() * 1000)
    return pd.Series(least).median()


def figures(kwh, minutes, power):
    """`kwh` has the columns import, export, solar, house; `power` the same in watts."""
    both = kwh[["solar", "export"]].dropna().sum()
    fed = kwh[["house", "import"]].dropna().sum()
    hourly = kwh["export"].groupby([kwh.index.date, kwh.index.hour, [i.utcoffset() for i in kwh.index]]).sum()
    peak = {flow: {"value": power[flow].max(), "at": power[flow].idxmax().isoformat()} for flow in power}
    return {
        **{f"{flow}_kwh": kwh[flow].sum() for flow in kwh},
        "self_use_kwh": both["solar"] - both["export"],
        "self_consumption": (both["solar"] - both["export"]) / both["solar"],
        "self_sufficiency": (fed["house"] - fed["import"]) / fed["house"],
        "export_hours": int((hourly > 0.05).sum()),
        "night_floor_w": night_floor_w(kwh["house"].dropna(), minutes),
        "peaks": peak,
    }


def one_minute(name, zone):
    frame = read(name, "timestamp_utc")
    frame.index = frame.index.tz_convert(zone)
    power = pd.DataFrame(
        {
            "import": frame["grid_w"].clip(lower=0),
            "export": (-frame["grid_w"]).clip(lower=0),
            "solar": frame["pv_w"],
            "house": frame["grid_w"] + frame["pv_w"],
        }
    )
    return figures(power / 60_000, 1, power[["import", "export", "solar"]])


def year():
    frame = read("year_2008_30min.csv", "timestamp_fixed_offset").tz_localize("UTC")
    columns = {"import_kwh": "import", "export_kwh": "export", "pv_kwh": "solar", "load_kwh": "house"}
    kwh = frame[list(columns)].rename(columns=columns)
    return figures(kwh, 30, (kwh * 2000)[["import", "export", "solar"]])


print(
    json.dumps(
        {
            "broken_cloud_day_1min.csv": one_minute("broken_cloud_day_1min.csv", "America/Denver"),
            "spring_43h_1min.csv": one_minute("spring_43h_1min.csv", "America/Denver"),
            "year_2008_30min.csv": year(),
        },
        indent=1,
    )
)
