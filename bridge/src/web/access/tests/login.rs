//! Logging in and out.

use axum::http::StatusCode;

use crate::web::testing::{Browser, HOST, PASSWORD, hash_of, home_with_users, login, stage};

#[tokio::test]
async fn a_login_leads_back_and_its_cookie_is_out_of_reach_of_scripts() {
    let stage = stage(&home_with_users());
    let sent_away = stage.send(Browser::stranger().get("/?x=1")).await;
    assert_eq!(sent_away.header("location"), "/login?next=/%3Fx%3D1");
    let page = stage.send(Browser::stranger().get(sent_away.header("location"))).await;
    assert!(page.body.contains(r#"name="next" value="/?x=1""#), "{}", page.body);
    assert!(page.body.contains(r#"autocomplete="current-password""#));

    let fields = format!("name=anna&password={}&next=%2F%3Fx%3D1", PASSWORD.replace(' ', "%20"));
    let answer = stage.send(Browser::stranger().form("/login", &format!("http://{HOST}"), &fields)).await;
    assert_eq!((answer.status, answer.header("location")), (StatusCode::SEE_OTHER, "/?x=1"));
    let cookie = answer.header("set-cookie");
    assert!(cookie.starts_with("overspill-wren="), "{cookie}");
    assert!(cookie.ends_with("; Path=/; Max-Age=604800; HttpOnly; SameSite=Lax"), "{cookie}");
}

#[tokio::test]
async fn behind_https_the_cookie_goes_by_https_alone() {
    let home = home_with_users().replace("[supply]", "[web]\nbehind_https = true\n\n[supply]");
    let stage = stage(&home);
    let mut request = login("anna", PASSWORD);
    request.headers_mut().insert("origin", format!("https://{HOST}").parse().unwrap());
    let answer = stage.send(request).await;
    let cookie = answer.header("set-cookie");
    assert!(cookie.starts_with("__Host-overspill-wren=") && cookie.ends_with("; Secure"), "{cookie}");
    assert_eq!(
        stage.send(login("anna", PASSWORD)).await.status,
        StatusCode::FORBIDDEN,
        "from a page over http"
    );
}

#[tokio::test]
async fn each_login_has_an_id_of_its_own_and_ends_the_former() {
    let stage = stage(&home_with_users());
    let first = stage.log_in("vera").await;
    let mut again = login("vera", PASSWORD);
    again.headers_mut().insert("cookie", first.cookie.parse().unwrap());
    let answer = stage.send(again).await;
    let second = answer.header("set-cookie").split(';').next().unwrap().to_owned();
    assert_ne!(first.cookie, second);
    assert_eq!(stage.send(first.get("/")).await.status, StatusCode::SEE_OTHER, "the former ended");
    let second = Browser { cookie: second, proof: String::new() };
    let page = stage.send(second.get("/")).await;
    assert_eq!(page.status, StatusCode::OK);
    assert!(page.body.contains("Logged in as vera, who may look."), "{}", page.body);
    // An id that a stranger chose opens nothing.
    let chosen = Browser { cookie: "overspill-wren=chosen".to_owned(), proof: String::new() };
    assert_eq!(stage.send(chosen.get("/")).await.status, StatusCode::SEE_OTHER);
}

#[tokio::test]
async fn a_logout_ends_the_sitting_and_takes_the_cookie_away() {
    let stage = stage(&home_with_users());
    let browser = stage.log_in("otto").await;
    let other = stage.log_in("otto").await;
    let answer = stage.send(browser.post("/logout", "")).await;
    assert_eq!((answer.status, answer.header("location")), (StatusCode::SEE_OTHER, "/login"));
    assert!(answer.header("set-cookie").contains("Max-Age=0"));
    assert_eq!(stage.send(browser.get("/")).await.status, StatusCode::SEE_OTHER);
    assert_eq!(stage.send(other.get("/")).await.status, StatusCode::OK, "only this one");
}

#[tokio::test]
async fn wrong_passwords_and_unknown_names_are_told_alike_and_slow_down() {
    let stage = stage(&home_with_users());
    let mut bodies = Vec::new();
    for (name, password) in
        [("anna", "wrong"), ("nobody", PASSWORD), ("anna", ""), ("", ""), ("anna", "again")]
    {
        let answer = stage.send(login(name, password)).await;
        assert_eq!(answer.status, StatusCode::FORBIDDEN, "{name}");
        assert!(answer.header("set-cookie").is_empty());
        bodies.push(answer.body.replace(&format!("value=\"{name}\""), ""));
    }
    assert!(bodies.windows(2).all(|pair| pair[0] == pair[1]));
    assert!(bodies[0].contains("The name or the password is wrong."));
    let answer = stage.send(login("anna", PASSWORD)).await;
    assert_eq!((answer.status, answer.header("retry-after")), (StatusCode::TOO_MANY_REQUESTS, "1"));
    assert!(answer.body.contains("too many logins that failed. Wait 1 s"), "{}", answer.body);
}

#[tokio::test]
async fn a_login_from_a_page_of_another_site_is_refused() {
    let stage = stage(&home_with_users());
    let fields = format!("name=anna&password={}", PASSWORD.replace(' ', "+"));
    for origin in ["http://evil.example", "null"] {
        let answer = stage.send(Browser::stranger().form("/login", origin, &fields)).await;
        assert_eq!(answer.status, StatusCode::FORBIDDEN);
        assert!(answer.header("set-cookie").is_empty());
    }
    let large = format!("{fields}&x={}", "x".repeat(5000));
    let answer = stage.send(Browser::stranger().form("/login", &format!("http://{HOST}"), &large)).await;
    assert_eq!(answer.status, StatusCode::PAYLOAD_TOO_LARGE);
}

#[tokio::test]
async fn a_changed_password_counts_without_a_restart_and_ends_sittings() {
    let stage = stage(&home_with_users());
    let browser = stage.log_in("anna").await;
    let unchanged = stage.log_in("vera").await;
    std::fs::write(stage.folder.path().join("anna.hash"), hash_of("another one")).unwrap();
    stage.site.access.book.forget().await;
    assert_eq!(stage.send(browser.get("/")).await.status, StatusCode::SEE_OTHER);
    assert_eq!(stage.send(unchanged.get("/")).await.status, StatusCode::OK);
    assert_eq!(stage.send(login("anna", PASSWORD)).await.status, StatusCode::FORBIDDEN);
    assert_eq!(stage.send(login("anna", "another one")).await.status, StatusCode::SEE_OTHER);

    std::fs::remove_file(stage.folder.path().join("anna.hash")).unwrap();
    stage.site.access.book.forget().await;
    assert_eq!(stage.send(login("anna", "another one")).await.status, StatusCode::FORBIDDEN);
}

#[tokio::test]
async fn a_crowd_of_logins_is_told_to_come_back_and_checked_one_at_a_time() {
    let stage = std::sync::Arc::new(stage(&home_with_users()));
    let tries: Vec<_> = (0..40)
        .map(|_| {
            let stage = std::sync::Arc::clone(&stage);
            tokio::spawn(async move { stage.send(login("anna", "wrong")).await.status })
        })
        .collect();
    let mut checked = 0;
    for one in tries {
        match one.await.unwrap() {
            StatusCode::FORBIDDEN => checked += 1,
            status => assert_eq!(status, StatusCode::TOO_MANY_REQUESTS),
        }
    }
    assert_eq!(checked, 5, "as many as one address has before it waits");
}
