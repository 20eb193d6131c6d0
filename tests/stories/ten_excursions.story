Ten excursions of fifty minutes, none long enough for an alert of its own
room cellar
sensor north in cellar every 10min
contact Odile
begins 2026-12-01 00:00
---
0:00 north 48F 80%
2:00 north 48F 73%
2:50 north 48F 80%
4:00 north 48F 73%
4:50 north 48F 80%
6:00 north 48F 73%
6:50 north 48F 80%
8:00 north 48F 73%
8:50 north 48F 80%
10:00 north 48F 73%
10:50 north 48F 80%
12:00 north 48F 73%
12:50 north 48F 80%
14:00 north 48F 73%
14:50 north 48F 80%
16:00 north 48F 73%
16:50 north 48F 80%
18:00 north 48F 73%
18:50 north 48F 80%
20:00 north 48F 73%
20:50 north 48F 80%
72:00 end
---
 16:50 (16:50) swinging 1 room cellar, low: normal > unacknowledged
 16:50 (16:50) --> Odile, announce: Look soon: In and out of the band in the cellar
 31:00 (07:00) --> Odile, summary: Invented store: 1 alert, look soon
 44:50 (20:50) swinging 1 room cellar, low: unacknowledged > returned-unacknowledged
 55:00 (07:00) --> Odile, summary: Invented store: 1 alert to look at
