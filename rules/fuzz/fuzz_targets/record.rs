#![no_main]
libfuzzer_sys::fuzz_target!(|bytes: &[u8]| slackwater_rules_fuzz::record(bytes));
