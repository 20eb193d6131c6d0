"""What a column store takes for the questions of benches/account.rs on the same rows.

Only the time of the questions is counted, on its own table and in the order that suits it best; bringing
the rows in is not. Prints one JSON object.
"""

import json
import sys
import time

import duckdb

rows, hold_ms = sys.argv[1], int(sys.argv[2])
con = duckdb.connect()
con.execute(
    f"create table reading as select * from read_csv('{rows}', header = false, columns = {{"
    "'sensor_id': 'integer', 'measured_at': 'bigint', 'temperature_mc': 'integer', 'humidity_mpct': 'integer'"
    "}) order by sensor_id, measured_at"
)


def best(question):
    took = []
    for _ in range(3):
        started = time.perf_counter()
        con.execute(question).fetchall()
        took.append(time.perf_counter() - started)
    return min(took)


hours = """
select count(*), sum(n), sum(t), sum(low), sum(high), sum(rh), sum(dry), sum(damp) from (
    select sensor_id, measured_at // 3600000 h, count(*) n, sum(temperature_mc) t, min(temperature_mc) low,
        max(temperature_mc) high, sum(humidity_mpct) rh, min(humidity_mpct) dry, max(humidity_mpct) damp
    from reading group by 1, 2)
"""
band = f"""
select count(*), sum(ms), sum(cold), sum(warm), sum(dry), sum(damp), sum(inside), sum(area) from (
    select sensor_id, measured_at // 86400000 d, sum(ms) ms,
        sum(case when t < 5000 then ms else 0 end) cold, sum(case when 9000 < t then ms else 0 end) warm,
        sum(case when rh < 75000 then ms else 0 end) dry, sum(case when 85000 < rh then ms else 0 end) damp,
        sum(case when t between 5000 and 9000 and rh between 75000 and 85000 then ms else 0 end) inside,
        sum(greatest(5000 - t, t - 9000, 0) * ms) area
    from (
        select sensor_id, measured_at, temperature_mc t, humidity_mpct rh, least({hold_ms},
            coalesce(lead(measured_at) over (partition by sensor_id order by measured_at)
                - measured_at, {hold_ms})) ms
        from reading)
    group by 1, 2)
"""
print(json.dumps({"version": duckdb.__version__, "hours_s": best(hours), "band_s": best(band)}))
