//! The present as a browser shows it.

use super::browser::{Browser, DESK, PHONE};
use super::demo::Demo;

/// What a text says in watts.
fn watts(text: &str) -> i64 {
    let digits: String = text.chars().filter(char::is_ascii_digit).collect();
    digits.parse().unwrap_or_else(|_| panic!("{text} says no watts"))
}

#[tokio::test(flavor = "multi_thread")]
async fn the_numbers_move_by_themselves_and_add_up_at_every_look() {
    let demo = Demo::start(60).await;
    let browser = Browser::open(PHONE).await;
    browser.go(&demo.url("/")).await;
    browser
        .until(
            "the roof is known",
            "return !document.querySelector('.roof .watts').textContent.includes('not')",
        )
        .await;
    let mut seen = std::collections::BTreeSet::new();
    for _ in 0..5 {
        // All of them in one go, so that they are of one moment.
        let shown = browser
            .run("return [...document.querySelectorAll('.steps li')].map(li => [li.className, li.querySelector('.watts').textContent, li.querySelector('.why').textContent])")
            .await;
        let (mut comes, mut taken) = (0, 0);
        for step in shown.as_array().unwrap() {
            let (class, said) = (step[0].as_str().unwrap(), step[1].as_str().unwrap());
            match class.split(' ').next().unwrap() {
                "roof" => comes += watts(said),
                "street" if step[2].as_str().unwrap().contains("leaves,") => taken += watts(said),
                "street" => comes += watts(said),
                _ => taken += watts(said),
            }
        }
        assert_eq!(comes, taken, "{shown}");
        seen.insert(shown.to_string());
        tokio::time::sleep(std::time::Duration::from_millis(1200)).await;
    }
    assert!(seen.len() >= 3, "the page stands still: {seen:?}");
    browser.close().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn the_page_fits_a_phone_and_takes_nothing_from_elsewhere() {
    let demo = Demo::start(60).await;
    let browser = Browser::open(PHONE).await;
    for look in [PHONE, DESK] {
        browser.look(look).await;
        browser.go(&demo.url("/")).await;
        let wide = browser.run("return document.documentElement.scrollWidth <= innerWidth").await;
        assert_eq!(wide, true, "the page has to be scrolled sideways at {look:?}");
    }
    let fetched = browser
        .run("return performance.getEntriesByType('resource').map(e => new URL(e.name).host).filter(h => h != location.host)")
        .await;
    assert_eq!(fetched, serde_json::json!([]));
    let bytes = browser
        .run("return performance.getEntriesByType('navigation').concat(performance.getEntriesByType('resource')).reduce((sum, e) => sum + e.transferSize, 0)")
        .await;
    assert!(bytes.as_u64().unwrap() < 100_000, "the first view takes {bytes} bytes");
    browser.close().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn what_comes_and_goes_leaves_the_focus_where_it_is() {
    let demo = Demo::start(60).await;
    let browser = Browser::open(PHONE).await;
    browser.go(&demo.url("/")).await;
    // A doubt comes above the picture, a step goes, all in one go; then as it was.
    let kept = browser
        .run(
            "const present = document.querySelector('#present');
             const before = present.cloneNode(true);
             const link = document.querySelector(\"a[href='/loads/car']\");
             link.focus();
             const other = present.cloneNode(true);
             const doubt = Object.assign(document.createElement('p'), { className: 'doubt', textContent: 'new' });
             other.querySelector('figure').before(doubt);
             other.querySelector('.steps li').remove();
             other.querySelector('h1').textContent = 'other';
             follow(present, other);
             const between = present.isEqualNode(other) && document.activeElement === link;
             follow(present, before);
             return [between, present.isEqualNode(before), document.activeElement === link]",
        )
        .await;
    assert_eq!(kept, serde_json::json!([true, true, true]));
    browser.close().await;
}
