//! The permission table: one row per operation, as data in one place.
//!
//! The operation's name is the `operationId` of the API document. A cell says how far a role reaches;
//! the use case narrows `Site`, `Recipient` and `Own` to the records of the actor.

use uuid::Uuid;

use crate::role::{Actor, Role};

/// How far a role reaches in an operation.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Access {
    /// Not at all.
    No,
    /// Their own records only.
    Own,
    /// Records of the sites the role is held at.
    Site,
    /// Records of the recipient the role is held for.
    Recipient,
    /// The whole co-operative.
    Any,
}

macro_rules! operations {
    ($( $variant:ident $name:literal $coordinator:ident $lead:ident $volunteer:ident $reader:ident ; )*) => {
        /// Everything a signed-in member can ask for.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
        pub enum Operation {
            $( #[doc = concat!("`", $name, "`")] $variant, )*
        }

        impl Operation {
            /// All operations, in the order of the table.
            pub const ALL: &'static [Operation] = &[ $( Operation::$variant, )* ];

            /// The `operationId` in the API document.
            pub fn as_str(self) -> &'static str {
                match self { $( Operation::$variant => $name, )* }
            }

            /// The row of the table: coordinator, lead, volunteer, reader.
            pub fn row(self) -> [Access; 4] {
                match self {
                    $( Operation::$variant => [Access::$coordinator, Access::$lead, Access::$volunteer, Access::$reader], )*
                }
            }
        }
    };
}

operations! {
    // variant             name                       coordinator lead volunteer reader
    ReadMe                 "read_me"                  Own  Own  Own  Own;
    ChangePassword         "change_password"          Own  Own  Own  Own;
    SignOut                "sign_out"                 Own  Own  Own  Own;
    ReadNoticeChoices      "read_notice_choices"      Own  Own  Own  Own;
    ChooseNotices          "choose_notices"           Own  Own  Own  Own;
    ListNotices            "list_notices"             Any  Own  Own  Own;
    OpenCalendarFeed       "open_calendar_feed"       Own  Own  Own  Own;
    RevokeCalendarFeed     "revoke_calendar_feed"     Own  Own  Own  Own;

    InviteMember           "invite_member"            Any  No   No   No;
    ListMembers            "list_members"             Any  Any  No   No;
    ReadMember             "read_member"              Any  Any  Own  Own;
    ChangeMember           "change_member"            Any  Own  Own  Own;
    RetireMember           "retire_member"            Any  No   No   No;
    SetMemberRoles         "set_member_roles"         Any  No   No   No;
    ResetMemberPassword    "reset_member_password"    Any  No   No   No;
    ListQualifications     "list_qualifications"      Any  Any  Own  Own;
    ReadQualification      "read_qualification"       Any  Any  Own  Own;
    AddQualification       "add_qualification"        Any  No   No   No;
    ChangeQualification    "change_qualification"     Any  No   No   No;
    RetireQualification    "retire_qualification"     Any  No   No   No;
    ListGroups             "list_groups"              Any  Any  Any  No;
    ReadGroup              "read_group"               Any  Any  Any  No;
    CreateGroup            "create_group"             Any  Site No   No;
    ChangeGroup            "change_group"             Any  Site No   No;
    RetireGroup            "retire_group"             Any  Site No   No;

    ListSites              "list_sites"               Any  Any  Any  No;
    ReadSite               "read_site"                Any  Any  Any  No;
    CreateSite             "create_site"              Any  No   No   No;
    ChangeSite             "change_site"              Any  Site No   No;
    RetireSite             "retire_site"              Any  No   No   No;
    ListClosures           "list_closures"            Any  Any  Any  No;
    ReadClosure            "read_closure"             Any  Any  Any  No;
    CreateClosure          "create_closure"           Any  Site No   No;
    ChangeClosure          "change_closure"           Any  Site No   No;
    RetireClosure          "retire_closure"           Any  Site No   No;
    ImportClosures         "import_closures"          Any  No   No   No;

    ListContainerKinds     "list_container_kinds"     Any  Any  Any  No;
    ReadContainerKind      "read_container_kind"      Any  Any  Any  No;
    CreateContainerKind    "create_container_kind"    Any  No   No   No;
    ChangeContainerKind    "change_container_kind"    Any  No   No   No;
    RetireContainerKind    "retire_container_kind"    Any  No   No   No;

    ListStations           "list_stations"            Any  Any  Any  No;
    ReadStation            "read_station"             Any  Any  Any  No;
    CreateStation          "create_station"           Any  Site No   No;
    ChangeStation          "change_station"           Any  Site No   No;
    RetireStation          "retire_station"           Any  Site No   No;
    ImportStations         "import_stations"          Any  No   No   No;
    ListOutages            "list_outages"             Any  Any  Any  No;
    ReadOutage             "read_outage"              Any  Any  Any  No;
    CreateOutage           "create_outage"            Any  Site No   No;
    ChangeOutage           "change_outage"            Any  Site No   No;
    RetireOutage           "retire_outage"            Any  Site No   No;

    ListCropGroups         "list_crop_groups"         Any  Any  Any  No;
    ReadCropGroup          "read_crop_group"          Any  Any  Any  No;
    CreateCropGroup        "create_crop_group"        Any  No   No   No;
    ChangeCropGroup        "change_crop_group"        Any  No   No   No;
    RetireCropGroup        "retire_crop_group"        Any  No   No   No;
    ListCrops              "list_crops"               Any  Any  Any  No;
    ReadCrop               "read_crop"                Any  Any  Any  No;
    CreateCrop             "create_crop"              Any  No   No   No;
    ChangeCrop             "change_crop"              Any  No   No   No;
    RetireCrop             "retire_crop"              Any  No   No   No;
    ImportCrops            "import_crops"             Any  No   No   No;
    ListStarterCrops       "list_starter_crops"       Any  Any  Any  No;

    ReadLearning           "read_learning"            Any  Any  No   No;
    ChooseLearning         "choose_learning"          Any  No   No   No;
    DropLearningChoice     "drop_learning_choice"     Any  No   No   No;
    ReadStationLearning    "read_station_learning"    Any  Any  No   No;
    ChooseStationLearning  "choose_station_learning"  Any  No   No   No;
    DropStationLearningChoice "drop_station_learning_choice" Any No No No;
    ListObservations       "list_observations"        Any  Any  No   No;
    VetoObservation        "veto_observation"         Any  No   No   No;
    DropVeto               "drop_veto"                Any  No   No   No;
    ListRecipients         "list_recipients"          Any  Any  Any  Recipient;
    ReadRecipient          "read_recipient"           Any  Any  Any  Recipient;
    CreateRecipient        "create_recipient"         Any  No   No   No;
    ChangeRecipient        "change_recipient"         Any  No   No   No;
    RetireRecipient        "retire_recipient"         Any  No   No   No;
    ListPledges            "list_pledges"             Any  Any  Any  Recipient;
    ReadPledge             "read_pledge"              Any  Any  Any  Recipient;
    CreatePledge           "create_pledge"            Any  No   No   No;
    ChangePledge           "change_pledge"            Any  No   No   No;
    RetirePledge           "retire_pledge"            Any  No   No   No;

    ListPlans              "list_plans"               Any  Any  No   No;
    ReadPlan               "read_plan"                Any  Any  No   No;
    FollowPlan             "follow_plan"              Any  Any  No   No;
    ExplainPlan            "explain_plan"             Any  Any  No   No;
    DrawPlan               "draw_plan"                Any  Any  No   No;
    ComparePlans           "compare_plans"            Any  Any  No   No;
    RequestPlan            "request_plan"             Any  No   No   No;
    CancelPlan             "cancel_plan"              Any  No   No   No;
    AdoptPlan              "adopt_plan"               Any  No   No   No;
    WithdrawPlan           "withdraw_plan"            Any  No   No   No;

    ListSowings            "list_sowings"             Any  Any  Site No;
    ReadSowing             "read_sowing"              Any  Any  Site No;
    CreateSowing           "create_sowing"            Any  Site No   No;
    ChangeSowing           "change_sowing"            Any  Site No   No;
    RecordSowingEvent      "record_sowing_event"      Any  Site Site No;
    ListSowingEvents       "list_sowing_events"       Any  Any  Site No;

    ListLevelReadings      "list_level_readings"      Any  Any  Site No;
    RecordLevelReading     "record_level_reading"     Any  Site Site No;
    ReadTopUps             "read_top_ups"             Any  Site Site No;
    CheckTopUp             "check_top_up"             Any  Site Site No;
    ReadShoppingList       "read_shopping_list"       Any  Any  No   No;

    ListTasks              "list_tasks"               Any  Site Site No;
    ReadTask               "read_task"                Any  Site Site No;
    ClaimTask              "claim_task"               Any  Site Site No;
    ReleaseTask            "release_task"             Any  Site Site No;
    FinishTask             "finish_task"              Any  Site Site No;
    ReadWorkNow            "read_work_now"            Any  Site Site No;
    ReadClosureWarnings    "read_closure_warnings"    Any  Site No   No;
    ListTaskRules          "list_task_rules"          Any  Any  Any  No;
    ReadTaskRule           "read_task_rule"           Any  Any  Any  No;
    ChangeTaskRule         "change_task_rule"         Any  No   No   No;
    ResetTaskRule          "reset_task_rule"          Any  No   No   No;
    BeginTask              "begin_task"               Any  Site Site No;
    OfferTask              "offer_task"               Any  Site Site No;
    AnswerTaskOffer        "answer_task_offer"        Any  Site Site No;
    AssignTasks            "assign_tasks"             Any  Site No   No;
    SuggestAssignments     "suggest_assignments"      Any  Site No   No;
    ReadFairShare          "read_fair_share"          Any  Site No   No;
    ReadAvailability       "read_availability"        Any  Any  Own  No;
    ChangeAvailability     "change_availability"      Any  Own  Own  No;
    ReadWorkSettings       "read_work_settings"       Any  Any  Any  No;
    ChangeWorkSettings     "change_work_settings"     Any  No   No   No;
    ListWorkReports        "list_work_reports"        Any  Site Own  No;
    ReadWorkReport         "read_work_report"         Any  Site Own  No;
    SettleWorkReport       "settle_work_report"       Any  Site No   No;
    ListReadings           "list_readings"            Any  Any  Site No;
    RecordReading          "record_reading"           Any  Site Site No;
    CreateTask             "create_task"              Any  Site No   No;
    ChangeTask             "change_task"              Any  Site No   No;
    DropTask               "drop_task"                Any  Site No   No;
    ListRecurringTasks     "list_recurring_tasks"     Any  Site Site No;
    ReadRecurringTask      "read_recurring_task"      Any  Site Site No;
    CreateRecurringTask    "create_recurring_task"    Any  Site No   No;
    ChangeRecurringTask    "change_recurring_task"    Any  Site No   No;
    RetireRecurringTask    "retire_recurring_task"    Any  Site No   No;
    ExceptRecurringTask    "except_recurring_task"    Any  Site No   No;
    ListRecurringTaskTimes "list_recurring_task_times" Any Site Site No;

    ListCuts               "list_cuts"                Any  Site Site No;
    ReadCut                "read_cut"                 Any  Site Site No;
    RecordCut              "record_cut"               Any  Site Site No;
    CorrectCut             "correct_cut"              Any  Site No   No;
    ListColdReadings       "list_cold_readings"       Any  Site Site No;
    RecordColdReading      "record_cold_reading"      Any  Site Site No;

    ListDeliveries         "list_deliveries"          Any  Site Site Recipient;
    ReadDelivery           "read_delivery"            Any  Site Site Recipient;
    PackDelivery           "pack_delivery"            Any  Site Site No;
    AddDeliveryLine        "add_delivery_line"        Any  Site Site No;
    HandOverDelivery       "hand_over_delivery"       Any  Site Site No;
    ConfirmDelivery        "confirm_delivery"         No   No   No   Recipient;
    CorrectDelivery        "correct_delivery"         Any  Site No   No;
    WithdrawDelivery       "withdraw_delivery"        Any  Site No   No;
    DisputeDelivery        "dispute_delivery"         No   No   No   Recipient;
    AnswerDispute          "answer_dispute"           Any  Site No   No;
    ReadWeeklyTotals       "read_weekly_totals"       Any  Any  Any  Recipient;
    ReadTrace              "read_trace"               Any  Site Site Recipient;

    ListRecalls            "list_recalls"             Any  Any  Own  No;
    ReadRecall             "read_recall"              Any  Any  Own  No;
    DraftRecall            "draft_recall"             Any  No   No   No;
    RetraceRecall          "retrace_recall"           Any  No   No   No;
    StartRecall            "start_recall"             Any  No   No   No;
    AssignRecallNotice     "assign_recall_notice"     Any  No   No   No;
    TellRecallNotice       "tell_recall_notice"       Any  Own  Own  No;
    CloseRecall            "close_recall"             Any  No   No   No;
    ReleaseRecall          "release_recall"           Any  No   No   No;
    ReadHarvestReport      "read_harvest_report"      Any  Any  Any  Recipient;
    ReadReportSettings     "read_report_settings"     Any  Any  Any  No;
    ChangeReportSettings   "change_report_settings"   Any  No   No   No;
    ListTerms              "list_terms"               Any  Any  Any  No;
    ReadTerm               "read_term"                Any  Any  Any  No;
    CreateTerm             "create_term"              Any  No   No   No;
    ChangeTerm             "change_term"              Any  No   No   No;
    RetireTerm             "retire_term"              Any  No   No   No;

    ListProducts           "list_products"            Any  Any  Any  No;
    ReadProduct            "read_product"             Any  Any  Any  No;
    CreateProduct          "create_product"           Any  No   No   No;
    ChangeProduct          "change_product"           Any  No   No   No;
    RetireProduct          "retire_product"           Any  No   No   No;
    ListSourceWaters       "list_source_waters"       Any  Any  Any  No;
    ReadSourceWater        "read_source_water"        Any  Any  Any  No;
    CreateSourceWater      "create_source_water"      Any  Site No   No;
    ChangeSourceWater      "change_source_water"      Any  Site No   No;
    RetireSourceWater      "retire_source_water"      Any  Site No   No;
    ListRecipes            "list_recipes"             Any  Any  Any  No;
    ReadRecipe             "read_recipe"              Any  Any  Any  No;
    CreateRecipe           "create_recipe"            Any  No   No   No;
    ChangeRecipe           "change_recipe"            Any  No   No   No;
    RetireRecipe           "retire_recipe"            Any  No   No   No;
    FormulateRecipe        "formulate_recipe"         Any  Site No   No;
    ListBatches            "list_batches"             Any  Any  Site No;
    ReadBatch              "read_batch"               Any  Any  Site No;
    PreviewBatch           "preview_batch"            Any  Site Site No;
    StartBatch             "start_batch"              Any  Site Site No;
    RecordBatchEntry       "record_batch_entry"       Any  Site Site No;
    ListStockItems         "list_stock_items"         Any  Any  Any  No;
    ReadStockItem          "read_stock_item"          Any  Any  Any  No;
    CreateStockItem        "create_stock_item"        Any  No   No   No;
    ChangeStockItem        "change_stock_item"        Any  No   No   No;
    RetireStockItem        "retire_stock_item"        Any  No   No   No;
    ListContainerSupplies  "list_container_supplies"  Any  Any  Any  No;
    ReadContainerSupply    "read_container_supply"    Any  Any  Any  No;
    CreateContainerSupply  "create_container_supply"  Any  No   No   No;
    ChangeContainerSupply  "change_container_supply"  Any  No   No   No;
    RetireContainerSupply  "retire_container_supply"  Any  No   No   No;
    ListStockOrders        "list_stock_orders"        Any  Any  Site No;
    ReadStockOrder         "read_stock_order"         Any  Any  Site No;
    CreateStockOrder       "create_stock_order"       Any  Site No   No;
    ChangeStockOrder       "change_stock_order"       Any  Site No   No;
    DropStockOrder         "drop_stock_order"         Any  Site No   No;
    ListLots               "list_lots"                Any  Any  Site No;
    ReadLot                "read_lot"                 Any  Any  Site No;
    ReceiveLot             "receive_lot"              Any  Site No   No;
    ChangeLot              "change_lot"               Any  Site No   No;
    ReadStock              "read_stock"               Any  Any  Site No;
    ListMovements          "list_movements"           Any  Any  Site No;
    ReadMovement           "read_movement"            Any  Any  Site No;
    RecordMovement         "record_movement"          Any  Site Site No;
    ListStockCounts        "list_stock_counts"        Any  Any  Site No;
    ReadStockCount         "read_stock_count"         Any  Any  Site No;
    OpenStockCount         "open_stock_count"         Any  Site No   No;
    RecordCountLine        "record_count_line"        Any  Site Site No;
    PostStockCount         "post_stock_count"         Any  Site No   No;
    DropStockCount         "drop_stock_count"         Any  Site No   No;

    ListAuditEntries       "list_audit_entries"       Any  No   No   No;
}

impl Operation {
    /// The operation of that name.
    pub fn parse(name: &str) -> Option<Self> {
        Self::ALL
            .iter()
            .copied()
            .find(|operation| operation.as_str() == name)
    }

    /// How far a role reaches.
    pub fn access(self, role: Role) -> Access {
        let [coordinator, lead, volunteer, reader] = self.row();
        match role {
            Role::Coordinator => coordinator,
            Role::Lead => lead,
            Role::Volunteer => volunteer,
            Role::Reader => reader,
        }
    }

    /// Whether any of the actor's roles reaches into the operation at all.
    pub fn is_open_to(self, actor: &Actor) -> bool {
        actor
            .grants
            .iter()
            .any(|grant| self.access(grant.role) != Access::No)
            // a member without any role yet may still see and leave their own account
            || (actor.grants.is_empty() && self.access(Role::Reader) == Access::Own)
    }

    /// What of the co-operative the actor reaches: everything, or lists of sites, recipients, or themselves.
    pub fn reach(self, actor: &Actor) -> Reach {
        let mut reach = Reach::default();
        for grant in &actor.grants {
            match self.access(grant.role) {
                Access::No => {}
                Access::Any => reach.all = true,
                Access::Own => reach.own = true,
                Access::Site => reach.sites.extend(grant.site_id),
                Access::Recipient => reach.recipients.extend(grant.recipient_id),
            }
        }
        if actor.grants.is_empty() && self.access(Role::Reader) == Access::Own {
            reach.own = true;
        }
        reach
    }
}

/// What an actor reaches in an operation, all roles taken together.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Reach {
    /// The whole co-operative.
    pub all: bool,
    /// Their own records.
    pub own: bool,
    /// Records of these sites.
    pub sites: Vec<Uuid>,
    /// Records of these recipients.
    pub recipients: Vec<Uuid>,
}

impl Reach {
    /// Whether records of the site are reached.
    pub fn covers_site(&self, site_id: Uuid) -> bool {
        self.all || self.sites.contains(&site_id)
    }

    /// Whether records of the recipient are reached.
    pub fn covers_recipient(&self, recipient_id: Uuid) -> bool {
        self.all || self.recipients.contains(&recipient_id)
    }

    /// The sites to which a list must be narrowed; `None` for all.
    pub fn site_filter(&self) -> Option<&[Uuid]> {
        (!self.all).then_some(self.sites.as_slice())
    }

    /// The recipients to which a list must be narrowed; `None` for all.
    pub fn recipient_filter(&self) -> Option<&[Uuid]> {
        (!self.all).then_some(self.recipients.as_slice())
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::*;

    #[test]
    fn names_are_unique_and_parse_back() {
        let names: BTreeSet<&str> = Operation::ALL.iter().map(|o| o.as_str()).collect();
        assert_eq!(names.len(), Operation::ALL.len());
        for operation in Operation::ALL {
            assert_eq!(Operation::parse(operation.as_str()), Some(*operation));
        }
    }

    #[test]
    fn cells_fit_their_roles() {
        for operation in Operation::ALL {
            let [coordinator, lead, volunteer, reader] = operation.row();
            assert!(!matches!(coordinator, Access::Site | Access::Recipient));
            assert!(!matches!(lead, Access::Recipient) && !matches!(volunteer, Access::Recipient));
            assert!(!matches!(reader, Access::Site | Access::Any));
        }
    }

    #[test]
    fn reach_joins_the_roles_of_a_member() {
        let (here, there, pantry) = (Uuid::from_u128(1), Uuid::from_u128(2), Uuid::from_u128(3));
        let actor = |grants: Vec<(Role, Option<Uuid>, Option<Uuid>)>| Actor {
            cooperative_id: Uuid::nil(),
            member_id: Uuid::nil(),
            name: String::new(),
            grants: grants
                .into_iter()
                .map(|(role, site_id, recipient_id)| crate::Grant {
                    role,
                    site_id,
                    recipient_id,
                })
                .collect(),
            qualifications: vec![],
        };
        let volunteer = actor(vec![
            (Role::Volunteer, Some(here), None),
            (Role::Reader, None, Some(pantry)),
        ]);
        let reach = Operation::ListDeliveries.reach(&volunteer);
        assert!(reach.covers_site(here) && !reach.covers_site(there));
        assert!(reach.covers_recipient(pantry) && !reach.covers_recipient(here));
        assert!(!Operation::CreateSite.is_open_to(&volunteer));
        let newcomer = actor(vec![]);
        assert!(Operation::ReadMe.is_open_to(&newcomer));
        assert!(!Operation::ListTasks.is_open_to(&newcomer));
    }
}
