A logger read in the evening: the frost of the night is on record, and wakes nobody
room cellar
sensor north in cellar every 10min
sensor box in cellar every 10min batches
contact Odile
begins 2026-12-01 00:00
---
0:00 north 48F 80%
20:00 batch box 0:00 6:00 33F 80%
20:10 batch box 6:00 20:00 48F 80%
30:00 end
---
