//! The API as a document (OpenAPI 3.1), gathered from the handlers.

use utoipa::openapi::security::{HttpAuthScheme, HttpBuilder, SecurityScheme};
use utoipa::{Modify, OpenApi};
use utoipa_actix_web::service_config::ServiceConfig;
use utoipa_actix_web::{AppExt, scope};

use crate::problem::{Problem, ProblemField};
use crate::respond::BASE;
use crate::{
    assignments, audit_entries, availability, batches, calendar_feeds, closure_warnings, closures,
    cold_readings, completion, container_kinds, container_supplies, crop_groups, crops, cuts,
    deliveries, disputes, formulations, groups, hand_made_tasks, holds, imports, invitations,
    learning, learning_vetoes, levels, lots, me, members, movements, notices, outages,
    password_resets, plans, pledges, products, qualifications, readings, recalls, recipes,
    recipients, recurring_tasks, report_settings, reports, sessions, shopping_list, sites,
    source_waters, sowings, station_learning, stations, stock_counts, stock_items, stock_orders,
    task_rules, tasks, terms, top_ups, totals, traces, work_now, work_reports, work_settings,
};

#[derive(OpenApi)]
#[openapi(
    info(
        title = "Cotyl",
        description = "Growing food together in small containers: what to sow where and when, who does what, and what reached the pantry.\n\n\
            Records carry a strong `ETag`; changing one needs it back in `If-Match`. Every POST takes an `Idempotency-Key`: repeated with the same \
            key within 48 hours, a request has one effect and one answer. Lists give a cursor in `next`, sent back as `after`. Problems come as \
            `application/problem+json` (RFC 9457) with a stable `type`. Times are RFC 3339, days `YYYY-MM-DD`, weeks ISO 8601 such as `2026-W40`, \
            quantities a decimal string with a UCUM unit.",
        license(name = "Apache-2.0", identifier = "Apache-2.0"),
    ),
    components(schemas(Problem, ProblemField)),
    security(("access_token" = [])),
    modifiers(&AccessToken),
)]
struct Base;

struct AccessToken;

impl Modify for AccessToken {
    fn modify(&self, document: &mut utoipa::openapi::OpenApi) {
        let components = document.components.get_or_insert_default();
        components.add_security_scheme(
            "access_token",
            SecurityScheme::Http(
                HttpBuilder::new()
                    .scheme(HttpAuthScheme::Bearer)
                    .bearer_format("JWT")
                    .build(),
            ),
        );
    }
}

/// Registers every operation of the API, wherever it is registered. Paths are tried in this order, so
/// those that volunteers ask for most come first.
macro_rules! register_operations {
    ($config:ident) => {
        $config
            .service(tasks::list_tasks)
            .service(tasks::read_task)
            .service(tasks::claim_task)
            .service(tasks::release_task)
            .service(work_now::read_work_now)
            .service(closure_warnings::read_closure_warnings)
            .service(task_rules::list_task_rules)
            .service(task_rules::read_task_rule)
            .service(task_rules::change_task_rule)
            .service(task_rules::reset_task_rule)
            .service(completion::finish_task)
            .service(holds::begin_task)
            .service(holds::offer_task)
            .service(holds::answer_task_offer)
            .service(assignments::suggest_assignments)
            .service(assignments::assign_tasks)
            .service(assignments::read_fair_share)
            .service(availability::read_availability)
            .service(availability::change_availability)
            .service(work_settings::read_work_settings)
            .service(work_settings::change_work_settings)
            .service(work_reports::list_work_reports)
            .service(work_reports::read_work_report)
            .service(work_reports::settle_work_report)
            .service(readings::list_readings)
            .service(readings::record_reading)
            .service(hand_made_tasks::create_task)
            .service(hand_made_tasks::change_task)
            .service(hand_made_tasks::drop_task)
            .service(recurring_tasks::list_recurring_tasks)
            .service(recurring_tasks::create_recurring_task)
            .service(recurring_tasks::read_recurring_task)
            .service(recurring_tasks::change_recurring_task)
            .service(recurring_tasks::retire_recurring_task)
            .service(recurring_tasks::except_recurring_task)
            .service(recurring_tasks::list_recurring_task_times)
            .service(cuts::list_cuts)
            .service(cuts::record_cut)
            .service(cuts::read_cut)
            .service(cuts::correct_cut)
            .service(cold_readings::list_cold_readings)
            .service(cold_readings::record_cold_reading)
            .service(sessions::sign_in)
            .service(sessions::refresh_session)
            .service(sessions::sign_out)
            .service(sessions::change_password)
            .service(sites::list_sites)
            .service(sites::create_site)
            .service(sites::read_site)
            .service(sites::change_site)
            .service(sites::retire_site)
            .service(me::read_me)
            .service(notices::list_notices)
            .service(notices::read_notice_choices)
            .service(notices::choose_notices)
            .service(calendar_feeds::open_calendar_feed)
            .service(calendar_feeds::revoke_calendar_feed)
            .service(calendar_feeds::read_calendar_feed)
            .service(invitations::invite_member)
            .service(invitations::accept_invitation)
            .service(password_resets::reset_member_password)
            .service(password_resets::redeem_password_reset)
            .service(members::list_members)
            .service(members::read_member)
            .service(members::change_member)
            .service(members::retire_member)
            .service(members::set_member_roles)
            .service(qualifications::list_qualifications)
            .service(qualifications::add_qualification)
            .service(qualifications::read_qualification)
            .service(qualifications::change_qualification)
            .service(qualifications::retire_qualification)
            .service(groups::list_groups)
            .service(groups::create_group)
            .service(groups::read_group)
            .service(groups::change_group)
            .service(groups::retire_group)
            .service(audit_entries::list_audit_entries)
            .service(sowings::list_sowings)
            .service(sowings::create_sowing)
            .service(sowings::read_sowing)
            .service(sowings::change_sowing)
            .service(sowings::list_sowing_events)
            .service(sowings::record_sowing_event)
            .service(levels::list_level_readings)
            .service(levels::record_level_reading)
            .service(top_ups::read_top_ups)
            .service(top_ups::check_top_up)
            .service(shopping_list::read_shopping_list)
            .service(closures::list_closures)
            .service(closures::create_closure)
            .service(closures::read_closure)
            .service(closures::change_closure)
            .service(closures::retire_closure)
            .service(container_kinds::list_container_kinds)
            .service(container_kinds::create_container_kind)
            .service(container_kinds::read_container_kind)
            .service(container_kinds::change_container_kind)
            .service(container_kinds::retire_container_kind)
            .service(stations::list_stations)
            .service(stations::create_station)
            .service(stations::read_station)
            .service(stations::change_station)
            .service(stations::retire_station)
            .service(learning::read_learning)
            .service(learning::choose_learning)
            .service(learning::drop_learning_choice)
            .service(station_learning::read_station_learning)
            .service(station_learning::choose_station_learning)
            .service(station_learning::drop_station_learning_choice)
            .service(learning_vetoes::list_observations)
            .service(learning_vetoes::veto_observation)
            .service(learning_vetoes::drop_veto)
            .service(outages::list_outages)
            .service(outages::create_outage)
            .service(outages::read_outage)
            .service(outages::change_outage)
            .service(outages::retire_outage)
            .service(crop_groups::list_crop_groups)
            .service(crop_groups::create_crop_group)
            .service(crop_groups::read_crop_group)
            .service(crop_groups::change_crop_group)
            .service(crop_groups::retire_crop_group)
            .service(crops::list_crops)
            .service(crops::create_crop)
            .service(crops::read_crop)
            .service(crops::change_crop)
            .service(crops::retire_crop)
            .service(crops::list_starter_crops)
            .service(recipients::list_recipients)
            .service(recipients::create_recipient)
            .service(recipients::read_recipient)
            .service(recipients::change_recipient)
            .service(recipients::retire_recipient)
            .service(pledges::list_pledges)
            .service(pledges::create_pledge)
            .service(pledges::read_pledge)
            .service(pledges::change_pledge)
            .service(pledges::retire_pledge)
            .service(imports::import_stations)
            .service(imports::import_crops)
            .service(imports::import_closures)
            .service(plans::list_plans)
            .service(plans::request_plan)
            .service(plans::compare_plans)
            .service(plans::read_plan)
            .service(plans::cancel_plan)
            .service(plans::follow_plan)
            .service(plans::explain_plan)
            .service(plans::draw_plan)
            .service(plans::adopt_plan)
            .service(plans::withdraw_plan)
            .service(products::list_products)
            .service(products::create_product)
            .service(products::read_product)
            .service(products::change_product)
            .service(products::retire_product)
            .service(source_waters::list_source_waters)
            .service(source_waters::create_source_water)
            .service(source_waters::read_source_water)
            .service(source_waters::change_source_water)
            .service(source_waters::retire_source_water)
            .service(recipes::list_recipes)
            .service(recipes::create_recipe)
            .service(formulations::formulate_recipe)
            .service(recipes::read_recipe)
            .service(recipes::change_recipe)
            .service(recipes::retire_recipe)
            .service(batches::list_batches)
            .service(batches::start_batch)
            .service(batches::preview_batch)
            .service(batches::read_batch)
            .service(batches::record_batch_entry)
            .service(deliveries::list_deliveries)
            .service(deliveries::pack_delivery)
            .service(deliveries::read_delivery)
            .service(deliveries::add_delivery_line)
            .service(deliveries::hand_over_delivery)
            .service(deliveries::confirm_delivery)
            .service(deliveries::correct_delivery)
            .service(deliveries::withdraw_delivery)
            .service(disputes::dispute_delivery)
            .service(disputes::answer_dispute)
            .service(totals::read_weekly_totals)
            .service(traces::read_trace)
            .service(recalls::list_recalls)
            .service(recalls::draft_recall)
            .service(recalls::read_recall)
            .service(recalls::retrace_recall)
            .service(recalls::start_recall)
            .service(recalls::assign_recall_notice)
            .service(recalls::tell_recall_notice)
            .service(recalls::close_recall)
            .service(recalls::release_recall)
            .service(reports::read_harvest_report)
            .service(report_settings::read_report_settings)
            .service(report_settings::change_report_settings)
            .service(terms::list_terms)
            .service(terms::create_term)
            .service(terms::read_term)
            .service(terms::change_term)
            .service(terms::retire_term)
            .service(stock_items::list_stock_items)
            .service(stock_items::create_stock_item)
            .service(stock_items::read_stock_item)
            .service(stock_items::change_stock_item)
            .service(stock_items::retire_stock_item)
            .service(container_supplies::list_container_supplies)
            .service(container_supplies::create_container_supply)
            .service(container_supplies::read_container_supply)
            .service(container_supplies::change_container_supply)
            .service(container_supplies::retire_container_supply)
            .service(stock_orders::list_stock_orders)
            .service(stock_orders::create_stock_order)
            .service(stock_orders::read_stock_order)
            .service(stock_orders::change_stock_order)
            .service(stock_orders::drop_stock_order)
            .service(lots::list_lots)
            .service(lots::receive_lot)
            .service(lots::read_lot)
            .service(lots::change_lot)
            .service(lots::read_stock)
            .service(movements::list_movements)
            .service(movements::record_movement)
            .service(movements::read_movement)
            .service(stock_counts::list_stock_counts)
            .service(stock_counts::open_stock_count)
            .service(stock_counts::read_stock_count)
            .service(stock_counts::record_count_line)
            .service(stock_counts::post_stock_count)
            .service(stock_counts::drop_stock_count);
    };
}

/// Every operation of the API, to be served. Served as documented ones, each worker would work the
/// document out again and keep the memory that it took.
pub fn operations(config: &mut actix_web::web::ServiceConfig) {
    register_operations!(config);
}

fn documented_operations(config: &mut ServiceConfig) {
    register_operations!(config);
}

/// The document.
pub fn openapi() -> utoipa::openapi::OpenApi {
    let (_, document) = actix_web::App::new()
        .into_utoipa_app()
        .openapi(Base::openapi())
        .service(scope(BASE).configure(documented_operations))
        .split_for_parts();
    document
}
