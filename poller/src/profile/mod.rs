//! Profiles: how a control's points become quantities.
