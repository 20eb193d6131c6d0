Shelved for two hours while a humidifier is fetched; it is still too dry when that is over
room cellar
sensor north in cellar every 10min
contact Odile
begins 2026-12-01 08:00
---
0:00 north 48F 69%
12:30 shelve dry-out 2h the humidifier is on its way
16:00 north 48F 80%
18:00 acknowledge dry-out
20:00 end
---
 12:00 (20:00) dry-out 1 room cellar, low: normal > unacknowledged
 12:00 (20:00) --> Odile, announce: Look soon: Dry in the cellar
 12:30 (20:30) dry-out 1 room cellar, low: unacknowledged > shelved
 14:30 (22:30) dry-out 1 room cellar, low: shelved > unacknowledged
 14:30 (22:30) --> Odile, announce: Look soon: Dry in the cellar
 16:30 (00:30) dry-out 1 room cellar, low: unacknowledged > returned-unacknowledged
 18:00 (02:00) dry-out 1 room cellar, low: returned-unacknowledged > normal
