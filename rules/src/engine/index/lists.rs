//! Lists that follow from the plan, one for each sensor, alarm or topic: kept end to end, since
//! most hold one thing or none, and a list of its own costs more than what stands in it.

/// A list for each of a number of things, by their place.
#[derive(Debug)]
pub(in crate::engine) struct Lists<T> {
    /// Where each list ends.
    ends: Box<[u32]>,
    all: Box<[T]>,
}

impl<T> Default for Lists<T> {
    fn default() -> Self {
        Self { ends: Box::default(), all: Box::default() }
    }
}

impl<T> Lists<T> {
    /// So many lists, of what belongs into which; each keeps the order in which that is told.
    pub(super) fn of(lists: usize, mut told: Vec<(usize, T)>) -> Self {
        told.sort_by_key(|(list, _)| *list);
        let mut ends = vec![0; lists];
        for (list, _) in &told {
            ends[*list] += 1;
        }
        let mut end = 0;
        for length in &mut ends {
            end += *length;
            *length = end;
        }
        Self { ends: ends.into(), all: told.into_iter().map(|(_, one)| one).collect() }
    }

    /// The list of one; an empty one if it is not known.
    pub(in crate::engine) fn list(&self, at: usize) -> &[T] {
        let end = |at: usize| self.ends.get(at).map_or(0, |end| *end as usize);
        let begin = at.checked_sub(1).map_or(0, end);
        self.all.get(begin..end(at)).unwrap_or_default()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_list_keeps_its_order_and_one_that_is_not_there_is_empty() {
        let lists = Lists::of(3, vec![(2, 'a'), (0, 'b'), (2, 'c')]);
        let all: Vec<&[char]> = (0..5).map(|at| lists.list(at)).collect();
        assert_eq!(all, [&['b'][..], &[], &['a', 'c'], &[], &[]]);
        assert!(Lists::<char>::default().list(0).is_empty());
    }
}
