//! Who acts: roles with their reach, and dated qualifications.

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};
use uuid::Uuid;

/// What a member may be.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(rename_all = "snake_case")]
pub enum Role {
    /// Plans and answers for the whole co-operative.
    Coordinator,
    /// Answers for one site.
    Lead,
    /// Works at one site.
    Volunteer,
    /// Sees the pledges and deliveries of one recipient.
    Reader,
}

impl Role {
    /// All roles, in the order of the permission table.
    pub const ALL: [Role; 4] = [Role::Coordinator, Role::Lead, Role::Volunteer, Role::Reader];

    /// The name kept in the database and shown in the API.
    pub fn as_str(self) -> &'static str {
        match self {
            Role::Coordinator => "coordinator",
            Role::Lead => "lead",
            Role::Volunteer => "volunteer",
            Role::Reader => "reader",
        }
    }

    /// What the role is held for.
    pub fn scope(self) -> RoleScope {
        match self {
            Role::Coordinator => RoleScope::Cooperative,
            Role::Lead | Role::Volunteer => RoleScope::Site,
            Role::Reader => RoleScope::Recipient,
        }
    }

    /// The role of that name.
    pub fn parse(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|role| role.as_str() == name)
    }
}

/// What a role is held for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum RoleScope {
    /// The whole co-operative.
    Cooperative,
    /// One site.
    Site,
    /// One recipient.
    Recipient,
}

/// A role with its reach: a site for leads and volunteers, a recipient for readers.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct Grant {
    /// The role.
    pub role: Role,
    /// The site it reaches, for leads and volunteers.
    pub site_id: Option<Uuid>,
    /// The recipient it reaches, for readers.
    pub recipient_id: Option<Uuid>,
}

/// A kind of training that some tasks need.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(rename_all = "snake_case")]
pub enum QualificationKind {
    /// May handle acids, bases and fertiliser concentrates.
    Concentrates,
    /// May handle food handed to people.
    FoodHandling,
}

impl QualificationKind {
    /// The name kept in the database and shown in the API.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Concentrates => "concentrates",
            Self::FoodHandling => "food_handling",
        }
    }

    /// The kind of that name.
    pub fn parse(name: &str) -> Option<Self> {
        [Self::Concentrates, Self::FoodHandling]
            .into_iter()
            .find(|kind| kind.as_str() == name)
    }
}

/// A member's qualification.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Qualification {
    /// What it allows.
    pub kind: QualificationKind,
    /// First day on which it holds.
    pub issued_on: NaiveDate,
    /// Last day on which it holds; `None` for no end.
    pub expires_on: Option<NaiveDate>,
}

/// A signed-in member with what they may do now.
#[derive(Debug, Clone)]
pub struct Actor {
    /// The co-operative they belong to.
    pub cooperative_id: Uuid,
    /// The member.
    pub member_id: Uuid,
    /// Their name, for records that show who did something.
    pub name: String,
    /// Their roles.
    pub grants: Vec<Grant>,
    /// Their qualifications.
    pub qualifications: Vec<Qualification>,
}

impl Qualification {
    /// Whether it holds on a day.
    pub fn holds_on(&self, day: NaiveDate) -> bool {
        self.issued_on <= day && self.expires_on.is_none_or(|last| day <= last)
    }
}

impl Actor {
    /// Whether the member is a coordinator.
    pub fn is_coordinator(&self) -> bool {
        self.has(Role::Coordinator)
    }

    /// Whether the member has a role anywhere.
    pub fn has(&self, role: Role) -> bool {
        self.grants.iter().any(|grant| grant.role == role)
    }

    /// Whether the member has a role at a site.
    pub fn has_at(&self, role: Role, site_id: Uuid) -> bool {
        self.grants
            .iter()
            .any(|grant| grant.role == role && grant.site_id == Some(site_id))
    }

    /// The sites at which the member has a role; empty for coordinators, who have all.
    pub fn sites(&self) -> Vec<Uuid> {
        let mut sites: Vec<Uuid> = self.grants.iter().filter_map(|g| g.site_id).collect();
        sites.sort_unstable();
        sites.dedup();
        sites
    }

    /// The recipients the member reads for.
    pub fn recipients(&self) -> Vec<Uuid> {
        self.grants.iter().filter_map(|g| g.recipient_id).collect()
    }

    /// Whether a qualification of a kind holds on a day.
    pub fn is_qualified(&self, kind: QualificationKind, on: NaiveDate) -> bool {
        self.qualifications
            .iter()
            .any(|q| q.kind == kind && q.holds_on(on))
    }
}
