//! The API document and the page that reads it, as they are served.

use actix_web::test::TestRequest;

use crate::support::{Api, DOCUMENT};

#[actix_web::test]
async fn the_document_is_served_whole() {
    let api = Api::new().await;
    let reply = api
        .send(TestRequest::get().uri("/openapi/v1.json"))
        .await
        .expect(200);
    assert_eq!(reply.body, *DOCUMENT);
}

#[actix_web::test]
async fn the_reader_needs_nothing_from_elsewhere() {
    let api = Api::new().await;
    let page = api
        .send(TestRequest::get().uri("/docs/"))
        .await
        .expect(200)
        .text;
    let own: Vec<&str> = page
        .split(['"', '\''])
        .filter(|text| text.ends_with(".js") || text.ends_with(".css"))
        .collect();
    assert!(own.len() > 2, "{page}");
    for file in own {
        assert!(!file.contains("//"), "{file} comes from elsewhere");
        let address = format!("/docs/{}", file.trim_start_matches("./"));
        let text = api
            .send(TestRequest::get().uri(&address))
            .await
            .expect(200)
            .text;
        assert!(!text.is_empty(), "{address} is empty");
        if file.contains("initializer") {
            assert!(text.contains("/openapi/v1.json"), "{text}");
            assert!(
                !text.contains("http://") && !text.contains("https://"),
                "{text}"
            );
        }
    }
}
