//! Wall time as text, without a time zone library: always UTC, always milliseconds.

use crate::time::WallTime;

const DAY_MILLIS: i64 = 86_400_000;
/// RFC 3339 has years 0000 to 9999; what lies outside is shown as the nearest moment inside.
const FIRST: i64 = -62_167_219_200_000;
const LAST: i64 = 253_402_300_799_999;

/// Year, month, day, hour, minute, second, millisecond in UTC.
fn civil(wall: WallTime) -> [i64; 7] {
    let millis = wall.0.clamp(FIRST, LAST);
    let (days, rest) = (millis.div_euclid(DAY_MILLIS), millis.rem_euclid(DAY_MILLIS));
    // Counted from 0000-03-01, so that the leap day is the last of its year.
    let shifted = days + 719_468;
    let (era, day_of_era) = (shifted.div_euclid(146_097), shifted.rem_euclid(146_097));
    let year_of_era = (day_of_era - day_of_era / 1_460 + day_of_era / 36_524 - day_of_era / 146_096) / 365;
    let day_of_year = day_of_era - (365 * year_of_era + year_of_era / 4 - year_of_era / 100);
    let month_from_march = (5 * day_of_year + 2) / 153;
    let day = day_of_year - (153 * month_from_march + 2) / 5 + 1;
    let month = if month_from_march < 10 { month_from_march + 3 } else { month_from_march - 9 };
    let year = year_of_era + era * 400 + i64::from(month <= 2);
    [year, month, day, rest / 3_600_000, rest / 60_000 % 60, rest / 1_000 % 60, rest % 1_000]
}

/// `2026-11-25T02:31:49.120Z`
pub fn rfc3339(wall: WallTime) -> String {
    let [year, month, day, hour, minute, second, millis] = civil(wall);
    format!("{year:04}-{month:02}-{day:02}T{hour:02}:{minute:02}:{second:02}.{millis:03}Z")
}

/// `20261125T023149Z`, for names of files.
pub(super) fn compact(wall: WallTime) -> String {
    let [year, month, day, hour, minute, second, _] = civil(wall);
    format!("{year:04}{month:02}{day:02}T{hour:02}{minute:02}{second:02}Z")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_agree_with_gnu_date() {
        // date -u -d @SECS +%FT%TZ
        for (millis, text) in [
            (0, "1970-01-01T00:00:00.000Z"),
            (951_782_400_000, "2000-02-29T00:00:00.000Z"),
            (1_709_251_199_999, "2024-02-29T23:59:59.999Z"),
            (1_795_574_309_120, "2026-11-25T02:38:29.120Z"),
            (4_107_542_400_000, "2100-03-01T00:00:00.000Z"),
            (-1, "1969-12-31T23:59:59.999Z"),
            (i64::MIN, "0000-01-01T00:00:00.000Z"),
            (i64::MAX, "9999-12-31T23:59:59.999Z"),
        ] {
            assert_eq!(rfc3339(WallTime(millis)), text);
        }
        assert_eq!(compact(WallTime(1_795_574_309_120)), "20261125T023829Z");
    }
}
