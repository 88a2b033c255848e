//! The page of a drill: that it is a test, and how to answer it. The call-out's facts flow in, and
//! nothing of what stands in the house.

use super::facts::Facts;
use super::said::{Look, Said, Short};

impl Facts<'_> {
    /// A drill of a call-out.
    pub(super) fn drill(&self) -> Said {
        let mut said = Said { kind: Look::Test, heading: self.drill_heading(), ..Said::default() };
        said.under =
            vec!["This is a test of the call-out. Answer it as you would the real thing.".to_owned()];
        said.part("How to answer", self.how_to_answer(None));
        said.part("Who was told", self.told());
        said.foot.extend(self.repeat());
        said.short = self.drill_short();
        said
    }

    pub(super) fn drill_heading(&self) -> String {
        let policy = crate::plan::spoken(self.policy);
        format!(
            "TEST {}: a drill of the call-out {policy}, nothing is wrong, code {}",
            self.plan.site, self.code
        )
    }

    pub(super) fn drill_short(&self) -> Short {
        let what = vec![format!("TEST {}: a drill, nothing is wrong", self.plan.site)];
        Short { what, answer: Some(self.short_answer()), ..Short::default() }
    }
}
