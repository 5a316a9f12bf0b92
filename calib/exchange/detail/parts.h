#pragma once

#include <array>
#include <span>
#include <string>
#include <vector>

#include "calib/exchange/conversion.h"
#include "calib/profile/profile.h"

namespace trueplate::exchange::detail {

/// What a profile may know beside the lens's own numbers; each format carries some of it.
enum class Part {
  kBody,
  kLensName,
  kSerial,
  kOwner,
  kNotes,
  kNominalFocal,
  kFocus,
  kTStop,
  kEntrancePupil,
  kFilmBack,
  kPixelAspect,
  kSqueeze,
  kUncertainty,
  kMapSigma,
  kQuality,
  kChannels,
  kWarnings,
  kChart,
  kMethod,
  kFootage,
  kOtherStations,
};

/// What a format carries that has a place for every name and number of a state.
inline constexpr std::array kNamesAndStates{Part::kBody,
                                            Part::kLensName,
                                            Part::kSerial,
                                            Part::kNominalFocal,
                                            Part::kFocus,
                                            Part::kTStop,
                                            Part::kEntrancePupil,
                                            Part::kFilmBack,
                                            Part::kPixelAspect,
                                            Part::kSqueeze};

/// What the profile knows, of that station, and `carried` does not name: one phrase each, with the
/// numbers.
[[nodiscard]] std::vector<std::string> not_carried(const profile::Profile& profile,
                                                   const profile::Station& station,
                                                   std::span<const Part> carried);

/// `taken` completed: a profile of one station with this lens, what is known put in, its
/// provenance. Its day is the one in `taken`, where the file states that of its numbers, else
/// today. `origin` says what was read: "the OpenTrackIO file a.json".
/// errors  kInvalidInput: numbers that no profile may hold; named by their path in it.
Result<Taken> taken_lens(Taken taken,
                         const lens::Lens& lens,
                         const Known& known,
                         const std::string& origin);

}  // namespace trueplate::exchange::detail
