#![no_main]
libfuzzer_sys::fuzz_target!(|octets: &[u8]| slackwater::promises::join(octets));
