Twelve sensors lose their power together: one message, not twelve
room cellar
sensor s1 in cellar every 10min
sensor s2 in cellar every 10min
sensor s3 in cellar every 10min
sensor s4 in cellar every 10min
sensor s5 in cellar every 10min
sensor s6 in cellar every 10min
sensor s7 in cellar every 10min
sensor s8 in cellar every 10min
sensor s9 in cellar every 10min
sensor s10 in cellar every 10min
sensor s11 in cellar every 10min
sensor s12 in cellar every 10min
contact Odile
begins 2027-01-12 08:00
---
0:00 s1 48F 80%
0:00 s2 48F 80%
0:00 s3 48F 80%
0:00 s4 48F 80%
0:00 s5 48F 80%
0:00 s6 48F 80%
0:00 s7 48F 80%
0:00 s8 48F 80%
0:00 s9 48F 80%
0:00 s10 48F 80%
0:00 s11 48F 80%
0:00 s12 48F 80%
2:00 s1 silent
2:00 s2 silent
2:00 s3 silent
2:00 s4 silent
2:00 s5 silent
2:00 s6 silent
2:00 s7 silent
2:00 s8 silent
2:00 s9 silent
2:00 s10 silent
2:00 s11 silent
2:00 s12 silent
4:00 end
---
  2:25 (10:25) silent 1 sensor s1, medium: normal > unacknowledged
  2:25 (10:25) silent 1 sensor s2, medium: normal > unacknowledged
  2:25 (10:25) silent 1 sensor s3, medium: normal > unacknowledged
  2:25 (10:25) silent 1 sensor s4, medium: normal > unacknowledged
  2:25 (10:25) silent 1 sensor s5, medium: normal > unacknowledged
  2:25 (10:25) silent 1 sensor s6, medium: normal > unacknowledged
  2:25 (10:25) silent 1 sensor s7, medium: normal > unacknowledged
  2:25 (10:25) silent 1 sensor s8, medium: normal > unacknowledged
  2:25 (10:25) silent 1 sensor s9, medium: normal > unacknowledged
  2:25 (10:25) silent 1 sensor s10, medium: normal > unacknowledged
  2:25 (10:25) silent 1 sensor s11, medium: normal > unacknowledged
  2:25 (10:25) silent 1 sensor s12, high: normal > unacknowledged
  2:25 (10:25) --> Odile, digest: Act now, 12 alerts: No word from sensor s12 in the cellar; No word from sensor s1 in the cellar; No word from sensor s2 in the cellar; No…
