Air that hugs both lower limits, with a sensor that shakes
room cellar
sensor north in cellar every 5min
contact Odile
begins 2026-12-01 00:00
---
0:00 north 40.2F 75.3% shake 0.6F 0.9%
240:00 end
---
