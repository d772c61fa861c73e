//! Where each message goes.

use idlegate_plan::Shop;

/// The topics of one Idlegate.
#[derive(Clone, Debug)]
pub struct Topics {
    prefix: String,
    /// `/<site>`, where there are several; else nothing.
    site: String,
}

impl Topics {
    pub fn new(prefix: &str) -> Topics {
        Topics { prefix: prefix.to_owned(), site: String::new() }
    }

    pub fn of(shop: &Shop) -> Topics {
        let site = shop.site.as_ref().map_or_else(String::new, |site| format!("/{site}"));
        Topics { prefix: shop.prefix.clone(), site }
    }

    pub fn health(&self) -> String {
        format!("{}/health{}", self.prefix, self.site)
    }

    /// That of every site, and of a shop without sites.
    pub fn all_health(&self) -> String {
        format!("{}/health/#", self.prefix)
    }

    /// The site that a health topic speaks of; an empty one where there are none.
    pub fn health_site<'a>(&self, topic: &'a str) -> Option<&'a str> {
        let rest = topic.strip_prefix(self.prefix.as_str())?.strip_prefix("/health")?;
        if rest.is_empty() { Some("") } else { rest.strip_prefix('/') }
    }

    pub fn machine(&self, name: &str) -> String {
        format!("{}/machine/{name}", self.prefix)
    }

    /// The machine whose status such a topic bears.
    pub fn status_machine<'a>(&self, topic: &'a str) -> Option<&'a str> {
        topic.strip_prefix(self.prefix.as_str())?.strip_prefix("/machine/")
    }

    /// Lockout and deferral of a machine, for whoever guards next.
    pub fn kept(&self, machine: &str) -> String {
        format!("{}/kept/{machine}", self.prefix)
    }

    /// The machine that such a topic speaks of.
    pub fn kept_machine<'a>(&self, topic: &'a str) -> Option<&'a str> {
        topic.strip_prefix(self.prefix.as_str())?.strip_prefix("/kept/")
    }

    /// The ids that an input's newest requests bore, for whoever guards next.
    pub fn answered(&self, input: &str) -> String {
        format!("{}/answered/{input}{}", self.prefix, self.site)
    }

    /// The input that such a topic speaks of, and the page, if it is one of them.
    pub fn answered_input<'a>(&self, topic: &'a str) -> Option<(&'a str, Option<usize>)> {
        let rest = topic.strip_prefix(self.prefix.as_str())?.strip_prefix("/answered/")?;
        let rest = rest.strip_suffix(self.site.as_str())?;
        match rest.split_once("/page/") {
            Some((input, page)) => Some((input, Some(page.parse().ok()?))),
            None => Some((rest, None)),
        }
    }

    /// A page of older ones.
    pub fn answered_page(&self, input: &str, page: usize) -> String {
        format!("{}/answered/{input}/page/{page}{}", self.prefix, self.site)
    }

    pub fn all_answered_pages(&self) -> String {
        format!("{}/answered/+/page/+{}", self.prefix, self.site)
    }

    /// One of several of which one guards.
    pub fn stand_by(&self, name: &str) -> String {
        format!("{}/stand-by/{name}", self.prefix)
    }

    pub fn decision(&self) -> String {
        format!("{}/decision", self.prefix)
    }

    pub fn incident(&self) -> String {
        format!("{}/incident", self.prefix)
    }

    pub fn announcement(&self) -> String {
        format!("{}/announcement", self.prefix)
    }
}
