use super::helper::{room, seatsong};

#[cfg(feature = "capture")]
#[test]
fn devices_are_listed_or_there_is_a_plain_sentence() {
    let ran = seatsong(room(), &["devices"]).ended(0);
    assert!(!ran.out.trim().is_empty(), "{ran}");
    let ran = seatsong(room(), &["devices", "--json"]).ended(0);
    assert_eq!(ran.json()["schema"], "seatsong.devices/1");
    for device in ran.json()["inputs"].as_array().unwrap() {
        assert!(device["name"].is_string() && device["default"].is_boolean() && device["configs"].is_array(), "{ran}");
    }
}

#[cfg(not(feature = "capture"))]
#[test]
fn a_build_without_sound_says_how_to_get_it() {
    seatsong(room(), &["devices"]).ended(1).says("--features capture");
}
