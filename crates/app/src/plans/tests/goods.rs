//! Goods of small seasons: what is stated of them, what they hold up, what is to be bought.

use chrono::Days;
use cotyl_planner::Unhindered;
use serde_json::{Value, json};

use super::super::answer::{KeptAnswer, work_out};
use super::super::compile::{LeftOut, compile};
use super::super::explain::{explain, explain_plan};
use super::super::goods::{StatedGood, lacking};
use super::super::remedies::Change;
use super::super::season::Season;
use super::{Dice, any_season, day, search, season, small, solved, sowing, stated};

/// The small season with a jar taking 100 mL of medium, which comes two weeks after it is ordered: on 15
/// March, when three of the four working days before the closed week are over.
fn with_medium(lots: Value, orders: Value) -> Value {
    let mut document = small();
    document["stock_items"] = json!([{
        "id": "medium", "name": "Medium", "category": "medium", "dimension": "volume", "lead_days": 14,
        "pack": {"value": "250", "unit": "mL"}, "pack_cents": 300,
    }]);
    document["container_supplies"] = json!([
        {"container_kind_id": "jar", "stock_item_id": "medium", "amount": {"value": "100", "unit": "mL"}},
    ]);
    document["lots"] = lots;
    document["stock_orders"] = orders;
    document
}

fn lot(millilitres: &str, last: Option<&str>) -> Value {
    json!({"stock_item_id": "medium", "site_id": "hall", "code": format!("{millilitres} {last:?}"),
        "amount": {"value": millilitres, "unit": "mL"}, "expires_on": last})
}

fn order(millilitres: &str, expected: &str) -> Value {
    json!({"stock_item_id": "Medium", "site_id": "Hall", "amount": {"value": millilitres, "unit": "mL"},
        "expected_on": expected})
}

/// Limits that are stated: microlitres and the week from which any quantity can be had.
fn limits(season: &Season) -> Vec<(i64, usize)> {
    let problem = stated(season);
    let goods = problem.consumables.iter().filter(|c| c.price_cents10 == 0);
    goods.map(|c| (c.stock, c.lead_weeks)).collect()
}

#[test]
fn what_is_at_hand_limits_until_new_goods_come() {
    let check = |lots: Value, orders: Value, expect: &[(i64, usize)]| {
        let document = with_medium(lots.clone(), orders.clone());
        assert_eq!(limits(&season(&document)), expect, "{lots} {orders}");
    };
    // ordered today it comes on Sunday of the second week
    check(json!([lot("300", None)]), json!([]), &[(300_000, 2)]);
    check(json!([lot("0", None)]), json!([]), &[(0, 2)]);
    // there on Tuesday of the second week, the first working day: a step
    let tuesday = json!([order("200", "2026-03-10")]);
    check(
        json!([lot("300", None)]),
        tuesday,
        &[(300_000, 1), (500_000, 2)],
    );
    // a day later it counts from the week after, in which any quantity can be had
    let wednesday = json!([order("200", "2026-03-11")]);
    check(json!([lot("300", None)]), wednesday, &[(300_000, 2)]);
    // an order that is overdue may come today
    let overdue = json!([order("200", "2026-02-10")]);
    check(json!([lot("300", None)]), overdue, &[(500_000, 2)]);
    // it counts when it may still be used on the day before new goods come
    let expiring = json!([lot("300", None), lot("400", Some("2026-03-13"))]);
    check(expiring, json!([]), &[(300_000, 2)]);
    let lasting = json!([lot("300", None), lot("400", Some("2026-03-14"))]);
    check(lasting, json!([]), &[(700_000, 2)]);
    // ten places, sown once before new goods come: no more than 1000 mL can be used
    check(json!([lot("1000", None)]), json!([]), &[]);
}

#[test]
fn a_container_takes_what_the_shopping_list_says() {
    let document = with_medium(json!([lot("300", None)]), json!([]));
    let problem = stated(&season(&document));
    let uses = &problem.classes[0].crops[0].uses;
    let taken: Vec<i64> = problem.consumables.iter().map(|c| uses[&c.id]).collect();
    // 100 mL, and their price: 100 of 250 mL for 3.00 are 1.20, 1200 tenths of a cent
    assert_eq!(taken, [100_000, 1200]);
    assert!(problem.rules.stock);
    let money = &problem.consumables[1];
    assert_eq!(
        (money.stock, money.price_cents10, money.lead_weeks),
        (0, 1, 0)
    );
    // ten places, each sown at most once in two weeks
    assert!(money.most_per_week >= 12_000, "{money:?}");
}

#[test]
fn fertiliser_is_what_is_poured_in_before_new_goods_come() {
    let mut document = with_medium(json!([]), json!([]));
    document["stock_items"] = json!([{"id": "feed", "name": "Feed", "category": "fertiliser", "dimension": "mass",
        "product_id": "feed", "lead_days": 14}]);
    document["container_supplies"] = json!([]);
    document["usual_recipe"] = json!({"name": "Usual", "lines": [
        {"product_id": "feed", "per_litre": {"value": "2", "unit": "g"}}]});
    document["lots"] = json!([{"stock_item_id": "feed", "site_id": "hall", "code": "F",
        "amount": {"value": "20", "unit": "g"}}]);
    let season = season(&document);
    assert_eq!(limits(&season), [(20_000, 2)]);
    let problem = stated(&season);
    let taken = problem.classes[0].crops[0].uses[&problem.consumables[0].id];
    // 3.5 L hold 7 g; a plant of 100 g drinks 1.5 L in the first two weeks, so nothing is refilled
    assert_eq!(taken, 7_000);
}

#[test]
fn what_stands_has_its_goods_first() {
    let mut season = season(&with_medium(json!([lot("900", None)]), json!([])));
    // four jars by hand on the second Tuesday; one that a plan may change counts as nothing
    let mut by_hand = sowing("planned", "2026-03-10", false);
    by_hand.free_on = day("2026-04-07");
    let mut planned = by_hand.clone();
    (planned.id, planned.from_plan) = ("planned".into(), true);
    season.sowings = vec![planned];
    assert_eq!(limits(&season), [(900_000, 2)]);
    season.sowings.push(by_hand);
    assert_eq!(limits(&season), [(500_000, 2)]);
    // what lacks is told; nothing is left for others
    season.sowings[1].containers = 10;
    let compiled = compile(&season, LeftOut::default()).unwrap();
    assert_eq!(
        compiled.store_notes,
        [(
            "hall".to_owned(),
            "Hall: what stands already lacks 100 mL of Medium by 2026-03-10, before what is ordered today comes (2026-03-15)"
                .to_owned()
        )]
    );
    assert_eq!(limits(&season), [(0, 2)]);
    // an order that comes for it frees what is on the shelf
    let document = with_medium(
        json!([lot("900", None)]),
        json!([order("400", "2026-03-10")]),
    );
    let mut with_order = super::season(&document);
    season.sowings[1].containers = 4;
    with_order.sowings = season.sowings;
    assert_eq!(limits(&with_order), [(900_000, 2)]);
}

#[test]
fn an_item_that_nobody_keeps_is_no_limit_and_is_named() {
    let unkept = season(&with_medium(json!([]), json!([])));
    let compiled = compile(&unkept, LeftOut::default()).unwrap();
    assert_eq!(compiled.goods, []);
    let (site, note) = &compiled.store_notes[0];
    assert_eq!(site, "hall");
    assert!(note.ends_with("has never held any: Medium"), "{note}");
    // the plan is that of the season without goods, but for what they cost
    let (with, without) = (solved(&unkept), solved(&season(&small())));
    assert_eq!(
        with.totals.short_milligrams,
        without.totals.short_milligrams
    );
    assert_eq!(without.purchases, []);
    assert_eq!(stated(&season(&small())).consumables, []);
    // as if everything were at hand
    let mut at_hand = season(&with_medium(json!([lot("0", None)]), json!([])));
    if let Some(goods) = &mut at_hand.goods {
        goods.limits = false;
    }
    assert_eq!(limits(&at_hand), []);
    let answer = solved(&at_hand);
    assert_eq!(
        answer.totals.short_milligrams,
        without.totals.short_milligrams
    );
    assert!(answer.purchases[0].too_late, "{:?}", answer.purchases);
}

/// A season in which one jar can be filled, and no medium comes within it.
fn one_jar() -> Value {
    let mut document = with_medium(json!([lot("100", None)]), json!([]));
    document["stock_items"][0]["lead_days"] = json!(90);
    document
}

#[test]
fn too_little_is_the_reason_and_an_order_the_remedy() {
    let before = solved(&season(&one_jar()));
    assert_eq!(before.totals.containers, 1);
    let reasons = explain(&season(&one_jar()), &before).unwrap();
    let cause = reasons
        .iter()
        .flat_map(|reason| &reason.causes)
        .find(|cause| cause.kind == "stock")
        .unwrap();
    assert!(
        cause.words.contains(
            "Medium at Hall runs out: one container more sown in 2026-W10 would take 100 mL, 0 mL can be spared, \
             and what is ordered on 2026-03-01 usually comes on 2026-05-30"
        ),
        "{}",
        cause.words
    );
    let hidden = explain_plan(&season(&one_jar()), &before.plan, &["hall".to_owned()]).unwrap();
    let words = hidden.iter().map(|reason| reason.words.as_str());
    let words: String = words.collect();
    assert!(words.contains("is hidden while it is counted"), "{words}");
    assert!(!words.contains("can be spared"), "{words}");

    let remedy = &before.remedies[0];
    let Change::Goods {
        quantity, there_by, ..
    } = &remedy.change
    else {
        panic!("{remedy:?}")
    };
    // whole packs, there on the first working day
    assert_eq!((quantity % 250_000, *there_by), (0, day("2026-03-03")));
    let packs = quantity / 250_000;
    assert!(
        remedy.words.starts_with(&format!(
            "order {packs} packs ({}) of Medium, {}.00 of money, to be at Hall by 2026-03-03, sooner than in the usual 90 days: ",
            match quantity { 1_000_000.. => format!("{} L", *quantity as f64 / 1e6), _ => format!("{} mL", quantity / 1000) },
            3 * packs
        )),
        "{}",
        remedy.words
    );
    assert!(remedy.words.contains(" of money more"), "{}", remedy.words);
    // entered as it is told it does what it promises
    let mut document = one_jar();
    let millilitres = (quantity / 1000).to_string();
    document["stock_orders"] = json!([order(&millilitres, &there_by.to_string())]);
    let after = solved(&season(&document));
    assert!(
        after.totals.short_milligrams
            <= before.totals.short_milligrams - remedy.less_short_milligrams
    );
}

#[test]
fn what_is_to_be_bought_is_told_with_its_last_day_and_its_price() {
    let mut document = with_medium(json!([lot("100", None)]), json!([]));
    document["stock_items"][0]["lead_days"] = json!(2);
    let answer = solved(&season(&document));
    let [bought] = &answer.purchases[..] else {
        panic!("{:?}", answer.purchases)
    };
    let needed = 100_000 * answer.totals.containers;
    assert_eq!(
        (bought.needed, bought.shortfall),
        (needed, needed - 100_000)
    );
    let packs = (needed - 100_000 + 249_999) / 250_000;
    assert_eq!(
        (bought.packs, bought.cents),
        (Some(packs), Some(300 * packs))
    );
    // the jar that is at hand serves the first day; the day of the second sowing is that of the first lack
    assert_eq!(bought.order_by, bought.short_on - Days::new(2));
    assert!(
        !bought.too_late && bought.words.contains("order by 2026-03-"),
        "{}",
        bought.words
    );
}

/// The most that may be used of the medium up to a week.
fn most_by(season: &Season, week: usize) -> i64 {
    let known = limits(season).into_iter().filter(|(_, lead)| *lead > week);
    known.map(|(stock, _)| stock).min().unwrap_or(i64::MAX)
}

fn any_store(dice: &mut Dice) -> Season {
    let mut season = any_season(dice);
    let mut document = with_medium(json!([]), json!([]));
    document["stock_items"][0]["lead_days"] = json!(dice.below(40));
    document["lots"] = (0..1 + dice.below(3))
        .map(|_| {
            let last = day("2026-02-20") + Days::new(dice.below(60));
            let last = (dice.below(2) == 0).then(|| last.to_string());
            lot(&dice.below(900).to_string(), last.as_deref())
        })
        .collect();
    document["stock_orders"] = (0..dice.below(3))
        .map(|_| {
            let expected = day("2026-02-20") + Days::new(dice.below(60));
            order(&dice.below(600).to_string(), &expected.to_string())
        })
        .collect();
    season.goods = super::season(&document).goods;
    season
}

/// With that the planner's own property holds here, too: more of a limit never makes the best plan worse.
#[test]
fn more_goods_never_limit_more() {
    let mut dice = Dice(19_420_617);
    let mut loosened = 0;
    for _ in 0..300 {
        let season = any_store(&mut dice);
        let mut more = season.clone();
        let site = &mut more.goods.as_mut().unwrap().sites[0];
        if dice.below(2) == 0 || site.orders.is_empty() {
            let at = dice.below(site.lots.len().max(1) as u64) as usize;
            let Some(lot) = site.lots.get_mut(at) else {
                continue;
            };
            lot.quantity += 150_000;
        } else {
            site.orders[0].quantity += 150_000;
        }
        for week in 0..season.weeks as usize {
            let (before, after) = (most_by(&season, week), most_by(&more, week));
            assert!(after >= before, "{before} {after}");
            loosened += usize::from(after > before);
        }
    }
    assert!(loosened > 30, "{loosened}");
}

fn lacks(season: &Season, answer: &KeptAnswer) -> Option<(i64, usize)> {
    let compiled = compile(season, LeftOut::default()).unwrap();
    let of = |good: &StatedGood| (good.site_id.clone(), good.item_id);
    let (site, item) = compiled.goods.first().map(of)?;
    lacking(
        &compiled.problem,
        &compiled.goods,
        &answer.plan,
        (&site, item),
    )
}

/// A plan takes nothing that is not there: reckoned day by day as the shopping list does, nothing of it
/// lacks before new goods come unless what stands already lacks it.
#[test]
fn what_is_planned_is_there_on_its_day() {
    let mut dice = Dice(7_340_033);
    let (mut sown, mut held_up) = (0, 0);
    for _ in 0..120 {
        let season = any_store(&mut dice);
        let answer = work_out(&season, search(60), &Unhindered).unwrap();
        assert_eq!(lacks(&season, &answer), None);
        let mut nothing = season.clone();
        nothing.pledges.clear();
        let without = work_out(&nothing, search(1), &Unhindered).unwrap();
        let short = |answer: &KeptAnswer| {
            let first = answer.purchases.first();
            first
                .filter(|bought| bought.short_on < bought.earliest_on)
                .map(|b| b.short_on)
        };
        if short(&without).is_none() {
            assert_eq!(short(&answer), None, "{:?}", answer.purchases);
        }
        sown += answer.totals.containers;
        let reasons = explain(&season, &answer).unwrap();
        held_up += reasons
            .iter()
            .flat_map(|reason| &reason.causes)
            .filter(|cause| cause.kind == "stock")
            .count();
    }
    assert!(
        sown > 100 && held_up > 20,
        "{sown} containers, {held_up} held up"
    );
}
