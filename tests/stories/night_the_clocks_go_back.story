The night the clocks go back: quiet hours, summary and reminder keep the wall's time
zone Europe/Berlin
room cellar
sensor north in cellar every 10min
contact Odile quiet 22:00 6:00
begins 2026-10-24 12:00
---
0:00 north 48F 69.5%       # dry: low at midnight, told when the quiet hours end, an hour later by the sun
96:00 end
---
 12:00 (00:00) dry-out 1 room cellar, low: normal > unacknowledged
 19:00 (06:00) --> Odile, announce: Look soon: Dry in the cellar
 20:00 (07:00) --> Odile, summary: Invented store: 1 alert, look soon
 24:00 (11:00) dry-out 2 room cellar, medium: unacknowledged > unacknowledged
 24:00 (11:00) --> Odile, announce: Act today: Too dry in the cellar
 44:00 (07:00) --> Odile, summary: Invented store: 1 alert, act today
 48:00 (11:00) shrink 1 room cellar, medium: normal > unacknowledged
 48:00 (11:00) --> Odile, announce: Act today: Drying towards limp in the cellar
 68:00 (07:00) --> Odile, summary: Invented store: 2 alerts, act today
 92:00 (07:00) --> Odile, summary: Invented store: 2 alerts, act today
