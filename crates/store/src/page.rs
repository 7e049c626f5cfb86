//! One page of a list: stable order by id, which is the order of creation.

use uuid::Uuid;

/// Where a page begins and how long it may be.
#[derive(Debug, Clone, Copy)]
pub struct Page {
    /// The last id of the page before; `None` for the first page.
    pub after: Option<Uuid>,
    /// Most records.
    pub limit: i64,
}

impl Page {
    /// Every record, for use inside the program; never from a request.
    pub const ALL: Page = Page {
        after: None,
        limit: i64::MAX,
    };
}
