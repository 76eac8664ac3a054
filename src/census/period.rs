//! How often something comes: shortest, longest and typical interval in constant room.
//!
//! The median is estimated by the P² algorithm: R. Jain, I. Chlamtac, "The P² algorithm for dynamic calculation of
//! quantiles and histograms without storing observations", Communications of the ACM 28 (1985) 1076–1085. Five markers
//! follow the lowest value, the quarter, the median, the three-quarter and the highest value; after each interval a
//! marker that is a whole place off is moved by one, along a parabola through its neighbours.

use super::Period;
use crate::frame::TimeUs;

/// Intervals of frames as they come.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Intervals {
    last_us: TimeUs,
    frames: u64,
    /// Marker heights: the first five intervals, sorted, then estimates.
    heights: [f64; 5],
    /// Marker places, counted from 0.
    places: [u64; 5],
    shortest_us: i64,
    longest_us: i64,
}

impl Intervals {
    /// Takes the time of the next frame. Where time steps back the interval counts as 0.
    pub(super) fn frame(&mut self, time_us: TimeUs) {
        let interval_us = time_us.saturating_sub(self.last_us).max(0);
        self.last_us = time_us;
        self.frames += 1;
        match self.frames {
            1 => return,
            2 => (self.shortest_us, self.longest_us) = (interval_us, interval_us),
            _ => {
                self.shortest_us = self.shortest_us.min(interval_us);
                self.longest_us = self.longest_us.max(interval_us);
            }
        }
        let before = self.frames - 2;
        let value = interval_us as f64;
        if before < 5 {
            self.heights[before as usize] = value;
            self.heights[..=before as usize].sort_by(f64::total_cmp);
            self.places = [0, 1, 2, 3, 4];
        } else {
            self.take(value, before);
        }
    }

    /// Takes an interval when there were `before` already, five or more.
    fn take(&mut self, value: f64, before: u64) {
        let heights = &mut self.heights;
        heights[0] = heights[0].min(value);
        heights[4] = heights[4].max(value);
        let above = (1..5).find(|marker| value < heights[*marker]).unwrap_or(4);
        for place in &mut self.places[above..] {
            *place += 1;
        }
        for marker in 1..4 {
            let wanted = before as f64 * marker as f64 / 4.0;
            let off = wanted - self.places[marker] as f64;
            let (lower, place, upper) = (self.places[marker - 1], self.places[marker], self.places[marker + 1]);
            if off >= 1.0 && upper > place + 1 {
                self.heights[marker] = self.moved(marker, 1.0);
                self.places[marker] += 1;
            } else if off <= -1.0 && place > lower + 1 {
                self.heights[marker] = self.moved(marker, -1.0);
                self.places[marker] -= 1;
            }
        }
    }

    /// Height of a marker one place up or down: by the parabola where that keeps the order, else by the straight line.
    fn moved(&self, marker: usize, step: f64) -> f64 {
        let [below, at, above] = [marker - 1, marker, marker + 1].map(|marker| self.heights[marker]);
        let [from, here, to] = [marker - 1, marker, marker + 1].map(|marker| self.places[marker] as f64);
        let upwards = (here - from + step) * (above - at) / (to - here);
        let downwards = (to - here - step) * (at - below) / (here - from);
        let curved = at + step / (to - from) * (upwards + downwards);
        if below < curved && curved < above {
            curved
        } else if step > 0.0 {
            at + (above - at) / (to - here)
        } else {
            at - (at - below) / (here - from)
        }
    }

    pub(super) fn period(&self, expected_us: Option<i64>) -> Option<Period> {
        let intervals = self.frames.checked_sub(1).filter(|intervals| *intervals > 0)?;
        let typical = match intervals {
            1..=5 => self.heights[(intervals as usize - 1) / 2],
            _ => self.heights[2],
        };
        Some(Period {
            typical_us: typical.round() as i64,
            shortest_us: self.shortest_us,
            longest_us: self.longest_us,
            expected_us,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn of_intervals(intervals_us: &[i64]) -> Period {
        let mut intervals = Intervals::default();
        let mut time_us = 1_000_000;
        intervals.frame(time_us);
        for interval_us in intervals_us {
            time_us += interval_us;
            intervals.frame(time_us);
        }
        intervals.period(None).unwrap()
    }

    /// The worked example of Jain and Chlamtac 1985, from memory: 20 values, scaled here by 10,000. The paper's median
    /// estimate is 4.44.
    #[test]
    fn the_example_of_the_authors_gives_their_median() {
        let values = [
            0.02, 0.15, 0.74, 3.39, 0.83, 22.37, 10.15, 15.43, 38.62, 15.92, 34.60, 10.28, 1.47, 0.40, 0.05, 11.39,
            0.27, 0.42, 0.09, 11.37,
        ];
        let scaled: Vec<i64> = values.iter().map(|value| (value * 10_000.0_f64).round() as i64).collect();
        let typical = of_intervals(&scaled).typical_us as f64 / 10_000.0;
        assert!((typical - 4.44).abs() < 0.005, "{typical}");
    }

    #[test]
    fn one_frame_has_no_period_and_two_have_their_interval() {
        let mut intervals = Intervals::default();
        intervals.frame(5);
        assert_eq!(intervals.period(None), None);
        intervals.frame(105);
        let period = intervals.period(Some(90)).unwrap();
        assert_eq!((period.typical_us, period.shortest_us, period.longest_us), (100, 100, 100));
        assert_eq!(period.expected_us, Some(90));
    }

    #[test]
    fn lost_frames_do_not_change_what_is_typical() {
        let intervals: Vec<i64> = (0..1_000).map(|n| if n % 50 == 7 { 200_000 } else { 100_000 + n % 3 }).collect();
        let period = of_intervals(&intervals);
        assert!((100_000..=100_002).contains(&period.typical_us), "{period:?}");
        assert_eq!((period.shortest_us, period.longest_us), (100_000, 200_000));
    }

    proptest! {
        #[test]
        fn what_is_typical_lies_between_the_shortest_and_the_longest(times in proptest::collection::vec(any::<i64>(), 2..60)) {
            let mut intervals = Intervals::default();
            times.iter().for_each(|time_us| intervals.frame(*time_us));
            let period = intervals.period(None).unwrap();
            // Of intervals longer than a double's 53 bits the last bits are rounded.
            let slack = period.longest_us >> 50;
            prop_assert!(period.shortest_us.saturating_sub(slack) <= period.typical_us);
            prop_assert!(period.typical_us <= period.longest_us.saturating_add(slack));
        }

        #[test]
        fn the_estimate_is_near_the_median(seed in proptest::collection::vec(90_000..110_000_i64, 100..400)) {
            let mut sorted = seed.clone();
            sorted.sort_unstable();
            let low = sorted[sorted.len() * 2 / 5];
            let high = sorted[sorted.len() * 3 / 5];
            let typical = of_intervals(&seed).typical_us;
            prop_assert!(low - 1_000 <= typical && typical <= high + 1_000);
        }
    }
}
