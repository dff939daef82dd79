"""Number formats of open standards as plain functions: PMBus words, Linux sysfs files, SCPI answers, sensors."""
