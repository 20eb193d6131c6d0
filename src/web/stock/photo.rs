//! Pictures of a crate: made small, stripped of what the camera says, and shown.

use std::io::Cursor;

use axum::{
    Extension,
    extract::{
        DefaultBodyLimit, Multipart, Path, State,
        multipart::{MultipartError, MultipartRejection},
        rejection::PathRejection,
    },
    http::{HeaderValue, StatusCode, header},
    response::{IntoResponse, Redirect, Response},
};
use image::{
    DynamicImage, ImageDecoder, ImageReader, Limits, codecs::jpeg::JpegEncoder,
    imageops::FilterType,
};

use super::{
    super::{Site, access::Who, acts, pages::Failed},
    form::Fields,
    krate::href,
};
use crate::store::photos::{Kept, Photo};

/// Longest side that is kept, in pixels: enough to tell mould from soil.
const SIDE: u32 = 1280;
/// Quality of the JPEG that is kept, of 100.
const QUALITY: u8 = 78;
/// Most that is taken, in bytes: a picture of a phone as it comes.
const BYTES: usize = 12 << 20;
/// Largest side that is read, in pixels, and most memory for reading it, in bytes.
const READ: (u32, u64) = (9000, 96 << 20);

/// The layer that lets a picture through.
pub(super) fn limit() -> DefaultBodyLimit {
    DefaultBodyLimit::max(BYTES)
}

/// `POST /crate/photo`, as a form with the fields `crate`, `key` and `photo`.
pub(super) async fn keep(
    State(site): State<Site>,
    who: Option<Extension<Who>>,
    form: Result<Multipart, MultipartRejection>,
) -> Result<Response, Failed> {
    let form = form.map_err(|e| acts::refuse(&site, e.status(), e.body_text()))?;
    let (fields, bytes) = read(form).await.map_err(|e| {
        let why = if e.status() == StatusCode::PAYLOAD_TOO_LARGE {
            format!(
                "the picture is larger than {} MB; let the phone make it smaller",
                BYTES >> 20
            )
        } else {
            e.body_text()
        };
        acts::refuse(&site, e.status(), why)
    })?;
    let refuse = |why: &str| acts::refuse(&site, StatusCode::UNPROCESSABLE_ENTITY, why);
    if bytes.is_empty() {
        return Err(refuse("choose a picture first"));
    }
    // One at a time: reading one takes more memory than everything else together.
    let turn = site.looking.clone().acquire_owned().await;
    let made = tokio::task::spawn_blocking(move || (small(&bytes), turn)).await;
    let jpeg = match made {
        Ok((Ok(jpeg), _)) => jpeg,
        Ok((Err(_), _)) => return Err(refuse("this is no JPEG or PNG picture that can be read")),
        Err(_) => return Err(refuse("this picture could not be read")),
    };
    let code = fields.get("crate").to_owned();
    let stock = site.store.stock().await.map_err(Failed::store(&site))?;
    let found = code.parse().ok().and_then(|code| stock.find(&code));
    let Some((krate, _)) = found else {
        return Err(refuse("there is no such crate"));
    };
    let key = fields.get("key");
    let photo = Photo {
        key: if key.is_empty() {
            super::form::key()
        } else {
            key.to_owned()
        },
        krate,
        at: site.clock.now(),
        who: acts::person(who),
        jpeg,
    };
    let kept = site
        .store
        .keep_photo(&photo)
        .await
        .map_err(Failed::store(&site))?;
    if kept == Kept::Full {
        return Err(refuse(
            "so many pictures of this crate are kept already that no more are taken",
        ));
    }
    Ok(Redirect::to(&format!("{}#photos", href(&code))).into_response())
}

async fn read(mut form: Multipart) -> Result<(Fields, Vec<u8>), MultipartError> {
    let (mut fields, mut bytes) = (Vec::new(), Vec::new());
    while let Some(field) = form.next_field().await? {
        match field.name() {
            Some("photo") => bytes = field.bytes().await?.to_vec(),
            Some(name @ ("crate" | "key")) => {
                let name = name.to_owned();
                fields.push((name, field.text().await?));
            }
            _ => {}
        }
    }
    Ok((fields.into_iter().collect(), bytes))
}

/// The picture as it is kept: upright, at most so large, and nothing but its pixels.
fn small(bytes: &[u8]) -> image::ImageResult<Vec<u8>> {
    let mut limits = Limits::default();
    (limits.max_image_width, limits.max_image_height) = (Some(READ.0), Some(READ.0));
    limits.max_alloc = Some(READ.1);
    let mut reader = ImageReader::new(Cursor::new(bytes)).with_guessed_format()?;
    reader.limits(limits);
    let mut decoder = reader.into_decoder()?;
    let upright = decoder.orientation()?;
    let mut picture = DynamicImage::from_decoder(decoder)?;
    if SIDE < picture.width().max(picture.height()) {
        picture = picture.resize(SIDE, SIDE, FilterType::Triangle);
    }
    picture.apply_orientation(upright);
    let mut jpeg = Vec::new();
    JpegEncoder::new_with_quality(&mut jpeg, QUALITY).encode_image(&picture.to_rgb8())?;
    Ok(jpeg)
}

/// `GET /crate/photo/{id}`.
pub(super) async fn show(
    State(site): State<Site>,
    id: Result<Path<i64>, PathRejection>,
) -> Result<Response, Failed> {
    let id = id.map_or(0, |Path(id)| id);
    let Some(jpeg) = site.store.photo(id).await.map_err(Failed::store(&site))? else {
        return Err(acts::refuse(
            &site,
            StatusCode::NOT_FOUND,
            "there is no such picture",
        ));
    };
    let mut response = jpeg.into_response();
    let headers = response.headers_mut();
    headers.insert(header::CONTENT_TYPE, HeaderValue::from_static("image/jpeg"));
    headers.insert(
        header::CACHE_CONTROL,
        HeaderValue::from_static("private, max-age=31536000, immutable"),
    );
    Ok(response)
}
