#![allow(clippy::unwrap_used)]

use std::io::Write;

use super::*;

/// What was logged, a line each.
#[derive(Clone, Default)]
struct Log(Arc<Mutex<Vec<u8>>>);

impl Write for Log {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        self.0.lock().unwrap().extend_from_slice(bytes);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}

impl Log {
    /// The first letters of the levels of the lines since the last time, in order.
    fn levels(&self) -> String {
        let bytes = std::mem::take(&mut *self.0.lock().unwrap());
        let text = String::from_utf8(bytes).unwrap();
        let levels = text
            .lines()
            .map(|line| line.trim_start().chars().next().unwrap());
        levels.collect()
    }
}

/// Looks a minute apart, each with what some co-operatives came to in it: `-` for nothing amiss, a letter for a cause.
struct Course {
    left_out: LeftOut,
    now: DateTime<Utc>,
}

impl Course {
    fn look(&mut self, came: &[(u128, char)]) {
        let mut look = self.left_out.look("reminders", self.now);
        for (id, cause) in came {
            let brought = match cause {
                '-' => Ok(7),
                cause => Err(Error::internal(cause.to_string())),
            };
            let expected = if *cause == '-' { 7 } else { 0 };
            let told = look.brought(Uuid::from_u128(*id), brought).unwrap();
            assert_eq!(told, expected);
        }
        look.end();
        self.now += TimeDelta::minutes(1);
    }
}

fn watch(test: impl FnOnce(&mut Course, &Log)) {
    let log = Log::default();
    let writer = log.clone();
    let subscriber = tracing_subscriber::fmt()
        .without_time()
        .with_ansi(false)
        .with_writer(move || writer.clone())
        .finish();
    let mut course = Course {
        left_out: LeftOut::default(),
        now: "2026-10-05T12:00:00Z".parse().unwrap(),
    };
    tracing::subscriber::with_default(subscriber, || test(&mut course, &log));
}

#[test]
fn a_lasting_cause_is_said_once_an_hour() {
    watch(|course, log| {
        for minute in 0..=180 {
            course.look(&[(1, 'a'), (2, '-')]);
            let expected = if minute % 60 == 0 { "E" } else { "" };
            assert_eq!(log.levels(), expected, "{minute}");
        }
        course.look(&[(1, '-'), (2, '-')]);
        assert_eq!(log.levels(), "I");
        course.look(&[(1, '-'), (2, '-')]);
        assert_eq!(log.levels(), "");
        // it begins anew
        course.look(&[(1, 'a')]);
        assert_eq!(log.levels(), "E");
    });
}

#[test]
fn another_cause_is_said_at_once() {
    watch(|course, log| {
        for (came, expected) in [
            ('a', "E"),
            ('a', ""),
            ('b', "E"),
            ('b', ""),
            ('a', "E"),
            ('-', "I"),
        ] {
            course.look(&[(1, came)]);
            assert_eq!(log.levels(), expected, "{came}");
        }
        // of each co-operative by itself
        course.look(&[(1, 'a'), (2, 'a')]);
        assert_eq!(log.levels(), "EE");
    });
}

/// Several pieces of one co-operative in one look: one of them that goes well mends nothing, and two causes at once are
/// no change of the cause.
#[test]
fn a_co_operative_is_well_when_all_of_it_is() {
    watch(|course, log| {
        for (came, expected) in [
            (vec![(1, '-'), (1, 'a'), (1, '-'), (1, 'b')], "EE"),
            (vec![(1, 'b'), (1, '-'), (1, 'a'), (1, 'a')], ""),
            (vec![(1, '-'), (1, 'a')], ""),
            (vec![(1, '-'), (1, '-')], "I"),
        ] {
            course.look(&came);
            assert_eq!(log.levels(), expected, "{came:?}");
        }
    });
}

/// A co-operative that a look does not come to is as it was.
#[test]
fn what_was_not_looked_at_is_not_mended() {
    watch(|course, log| {
        course.look(&[(1, 'a')]);
        course.look(&[(2, '-')]);
        course.look(&[(1, 'a')]);
        assert_eq!(log.levels(), "E");
        // one kind of look says nothing of another
        let mut other = course.left_out.look("summaries", course.now);
        other.brought(Uuid::from_u128(1), Ok(1)).unwrap();
        other.end();
        assert_eq!(log.levels(), "");
    });
}

/// A look that is broken off, as when the database is out of reach, says of nobody that all went well.
#[test]
fn a_look_that_is_broken_off_mends_nothing() {
    watch(|course, log| {
        course.look(&[(1, 'a')]);
        let mut look = course.left_out.look("reminders", course.now);
        look.brought(Uuid::from_u128(1), Ok(1)).unwrap();
        drop(look);
        course.look(&[(1, 'a')]);
        assert_eq!(log.levels(), "E");
    });
}
