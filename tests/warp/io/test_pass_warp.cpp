// Whole frames of several parts through a lens: every channel by its rule.

#include "warp/io/pass_warp.h"

#include <doctest/doctest.h>

#include <algorithm>
#include <bit>
#include <cmath>
#include <cstring>
#include <limits>
#include <set>
#include <string>
#include <vector>

#include "warp/io/lens_warp.h"

using namespace trueplate;
using namespace trueplate::warp;
using footage::Frame;
using footage::Part;
using footage::SampleFormat;

namespace {

lens::Lens barrel() {
  lens::Lens lens;
  lens.plate_size = {96, 64};
  lens.focal_px = {90.0, 90.0};
  lens.principal_point_px = {48.5, 31.5};
  lens.model = lens::RadialTangential({-0.2, 0.05, 0.0, 0.0, 0.0});
  return lens;
}

struct Named {
  const char* name;
  SampleFormat format;
};

/// A part whose sample c of pixel (x, y), display coordinates, is value(x, y, c).
template <class Value>
Part make_part(std::string name,
               const std::vector<Named>& channels,
               const Window& data,
               const Value& value) {
  Part part;
  part.name = std::move(name);
  part.windows = {{0, 0, 96, 64}, data};
  part.pixels = Image<float>(data.width, data.height, static_cast<int>(channels.size()));
  for (const Named& channel : channels) {
    part.channels.push_back({channel.name, channel.format});
    if (std::string_view(channel.name) == "A") part.alpha = footage::Alpha::kAssociated;
  }
  for (int y = 0; y < data.height; ++y) {
    for (int x = 0; x < data.width; ++x) {
      for (int c = 0; c < part.pixels.channels(); ++c)
        part.pixels.at(x, y, c) = value(data.x + x, data.y + y, c);
    }
  }
  return part;
}

constexpr Window kWide{-12, -8, 120, 80};
constexpr SampleFormat kHalf = SampleFormat::kHalf;
constexpr SampleFormat kFloat = SampleFormat::kFloat;

Frame make_frame() {
  Frame frame;
  static_cast<Part&>(frame) = make_part(
      "beauty",
      {{"R", kHalf}, {"G", kHalf}, {"B", kHalf}, {"A", kHalf}},
      kWide,
      [](int x, int y, int c) {
        const float alpha = x > 40 ? 1.0F : 0.0F;
        return c == 3 ? alpha : alpha * (0.5F + 0.25F * static_cast<float>((x + y + c) % 3));
      });
  // A mixed part with a window of its own: IDs, their coverage, depth, and a colour between them.
  frame.further_parts.push_back(make_part(
      "data",
      {{"id", SampleFormat::kUint32},
       {"coverage", kFloat},
       {"Z", kFloat},
       {"glow.R", kHalf},
       {"motion.x", kHalf},
       {"motion.y", kHalf}},
      {10, 5, 70, 50},
      [](int x, int y, int c) {
        const bool near = (x / 20 + y / 20) % 2 == 0;
        switch (c) {
          case 0:
            return footage::float_of_id(near ? 0xFFFFFFF0U + static_cast<std::uint32_t>(x / 20)
                                             : 5U);
          case 1:
            return near ? 0.75F : 0.25F;
          case 2:
            return near ? 2.0F : 100.0F;
          case 3:
            return static_cast<float>(x) / 96.0F;
          default:
            return c == 4 ? 3.0F : 0.0F;
        }
      }));
  return frame;
}

LensWarp redistort(PassSettings passes = {}) {
  return {barrel(),
          {.direction = MapDirection::kRedistort, .overscan = {}, .passes = std::move(passes)}};
}

std::set<std::uint32_t> bits_of(const Part& part, int c) {
  std::set<std::uint32_t> bits;
  for (int y = 0; y < part.pixels.height(); ++y) {
    for (int x = 0; x < part.pixels.width(); ++x)
      bits.insert(std::bit_cast<std::uint32_t>(part.pixels.at(x, y, c)));
  }
  return bits;
}

}  // namespace

TEST_CASE("each part keeps its name and channels, and each channel goes by its rule") {
  const Frame before = make_frame();
  const LensWarp warp = redistort();
  const Result<Frame> after = warp.apply(make_frame(), 2);
  REQUIRE(after);
  REQUIRE(after->num_parts() == 2);
  CHECK(after->name == "beauty");
  const Part& data = after->part(1);
  CHECK(data.name == "data");
  CHECK(data.channels == before.part(1).channels);
  for (std::size_t p = 0; p < 2; ++p) {
    CHECK(after->part(p).windows.data == Window{0, 0, 96, 64});
    CHECK(after->part(p).pixels.width() == 96);
  }
  // IDs, coverage and depth: the values that were there, and 0 where the part has no pixels.
  for (int c : {0, 1, 2}) {
    std::set<std::uint32_t> wanted = bits_of(before.part(1), c);
    wanted.insert(0);
    CHECK(bits_of(data, c) == wanted);
  }
  // They stay together, pixel by pixel.
  for (int y = 0; y < 64; ++y) {
    for (int x = 0; x < 96; ++x) {
      const std::uint32_t id = footage::id_of(data.pixels.at(x, y, 0));
      const float coverage = id == 0 ? 0.0F : id == 5 ? 0.25F : 0.75F;
      REQUIRE(data.pixels.at(x, y, 1) == coverage);
      REQUIRE((data.pixels.at(x, y, 2) == 2.0F) == (id > 5));
    }
  }
  // The colour between them is what it would be without them, beside the same beauty.
  Frame alone = make_frame();
  alone.further_parts.clear();
  alone.further_parts.push_back(
      make_part("glow", {{"glow.R", kHalf}}, {10, 5, 70, 50}, [](int x, int, int) {
        return static_cast<float>(x) / 96.0F;
      }));
  const Result<Frame> glow = warp.apply(std::move(alone), 1);
  REQUIRE(glow);
  for (int y = 0; y < 64; ++y) {
    for (int x = 0; x < 96; ++x)
      REQUIRE(data.pixels.at(x, y, 3) == glow->part(1).pixels.at(x, y, 0));
  }
  // Motion is turned: in the middle hardly, in the corner by the lens.
  CHECK(data.pixels.at(48, 31, 4) == doctest::Approx(3.0).epsilon(0.01));
  CHECK(std::abs(data.pixels.at(15, 8, 5)) > 0.02F);

  std::string text;
  for (const TreatedChannel& channel : warp.treated_channels()) {
    text += channel.part + "." + channel.channel + "=" +
            std::string(to_text(channel.treatment.rule)) + " ";
  }
  CHECK(text.find("beauty.A=filter ") != std::string::npos);
  CHECK(
      text.find("data.coverage=nearest data.glow.R=filter data.id=nearest data.motion.x=motion ") !=
      std::string::npos);
}

TEST_CASE("rows made some at a time, in any order, are those of the whole frame") {
  for (const Filter filter : {Filter::kLanczos, Filter::kArea}) {
    const LensWarp warp = redistort({.filter = filter, .ringing = Ringing::kLimit});
    const Result<Frame> whole = warp.apply(make_frame(), 3);
    const Result<FrameInRows> made = warp.in_rows(make_frame(), 2);
    REQUIRE(whole);
    REQUIRE(made);
    REQUIRE(made->makers.size() == 2);
    for (std::size_t p = 0; p < 2; ++p) {
      const Part& part = whole->part(p);
      CHECK(made->frame.part(p).windows == part.windows);
      const int height = part.pixels.height();
      constexpr int kRows = 7;
      for (int first = (height - 1) / kRows * kRows; first >= 0; first -= kRows) {
        Image<float> rows(
            part.pixels.width(), std::min(kRows, height - first), part.pixels.channels());
        REQUIRE(made->makers[p](first, rows.view(), 2));
        REQUIRE(std::memcmp(rows.data(), part.pixels.row(first), rows.size() * sizeof(float)) == 0);
      }
      Image<float> beyond(part.pixels.width(), kRows, part.pixels.channels());
      CHECK_FALSE(made->makers[p](height - kRows + 1, beyond.view(), 1));
      CHECK_FALSE(made->makers[p](-1, beyond.view(), 1));
    }
  }
}

TEST_CASE("alpha stays within 0..1 and colour goes with it, or as asked for") {
  const Result<Frame> bent = redistort().apply(make_frame(), 1);
  REQUIRE(bent);
  for (int y = 0; y < 64; ++y) {
    for (int x = 0; x < 96; ++x) {
      const float alpha = bent->pixels.at(x, y, 3);
      REQUIRE(alpha >= 0.0F);
      REQUIRE(alpha <= 1.0F);
      for (int c = 0; c < 3; ++c) {
        REQUIRE(bent->pixels.at(x, y, c) >= 0.0F);
        REQUIRE(bent->pixels.at(x, y, c) <= 1.1F * alpha + 1e-6F);  // 1.0 is the brightest colour
      }
    }
  }
}

TEST_CASE("what adds up to a beauty still does, though only the beauty has an alpha") {
  for (const Filter filter : {Filter::kBilinear, Filter::kCubic, Filter::kLanczos, Filter::kArea}) {
    Frame frame;
    static_cast<Part&>(frame) =
        make_part("",
                  {{"R", kFloat}, {"A", kFloat}, {"diffuse.R", kFloat}, {"specular.R", kFloat}},
                  kWide,
                  [](int x, int y, int c) {
                    const float card = x > 40 && (x + 2 * y) % 37 > 3 ? 1.0F : 0.0F;
                    return c < 2 ? card : card * (c == 2 ? 0.75F : 0.25F);
                  });
    PassSettings settings;
    settings.filter = filter;
    const Result<Frame> bent = redistort(settings).apply(std::move(frame), 1);
    REQUIRE(bent);
    float worst = 0.0F;
    for (int y = 0; y < 64; ++y) {
      for (int x = 0; x < 96; ++x) {
        const float* pixel = &bent->pixels.at(x, y);
        worst = std::max(worst, std::abs(pixel[0] - pixel[2] - pixel[3]));
      }
    }
    CHECK(worst < 1e-6F);
  }
}

TEST_CASE("lights in parts of their own go with the alpha of the beauty's part") {
  const auto card_at = [](int x, int y) { return x > 40 && (x + 2 * y) % 37 > 3 ? 1.0F : 0.0F; };
  const auto make = [&](bool lights_first) {
    Part beauty =
        make_part("beauty", {{"R", kFloat}, {"A", kFloat}}, kWide, [&](int x, int y, int) {
          return card_at(x, y);
        });
    std::vector<Part> lights;
    for (const float share : {0.75F, 0.25F}) {
      lights.push_back(make_part(share > 0.5F ? "diffuse" : "specular",
                                 {{"R", kFloat}, {"Z", kFloat}},
                                 {-14, -9, 124, 82},
                                 [&](int x, int y, int c) {
                                   const bool inside = x >= -12 && x < 108 && y >= -8 && y < 72;
                                   if (c == 0 && !inside) return 0.0F;
                                   return c == 0 ? share * card_at(x, y) : 3.0F;
                                 }));
    }
    Frame frame;
    static_cast<Part&>(frame) = std::move(lights_first ? lights[0] : beauty);
    frame.further_parts.push_back(std::move(lights_first ? beauty : lights[0]));
    frame.further_parts.push_back(std::move(lights[1]));
    return frame;
  };
  for (const bool lights_first : {false, true}) {
    for (const Filter filter : {Filter::kCubic, Filter::kLanczos, Filter::kArea}) {
      PassSettings settings;
      settings.filter = filter;
      const LensWarp warp = redistort(settings);
      const Result<Frame> bent = warp.apply(make(lights_first), 2);
      REQUIRE(bent);
      const Part& beauty = bent->part(lights_first ? 1 : 0);
      const Part& diffuse = bent->part(lights_first ? 0 : 1);
      REQUIRE(diffuse.pixels.channels() == 2);
      float worst = 0.0F;
      for (int y = 0; y < 64; ++y) {
        for (int x = 0; x < 96; ++x) {
          const float sum = diffuse.pixels.at(x, y, 0) + bent->part(2).pixels.at(x, y, 0);
          worst = std::max(worst, std::abs(beauty.pixels.at(x, y, 0) - sum));
          REQUIRE(diffuse.pixels.at(x, y, 1) == doctest::Approx(3.0));
        }
      }
      CHECK(worst < 1e-6F);
      const std::vector<TreatedChannel> treated = warp.treated_channels();
      CHECK(std::any_of(treated.begin(), treated.end(), [](const TreatedChannel& channel) {
        return channel.part == "specular" && channel.channel == "R" &&
               channel.treatment.why == "colour, with the alpha of part beauty";
      }));
    }
  }
  // Not multiplied: a card of one colour stays that colour wherever there is alpha.
  Frame plain = make(false);
  for (std::size_t p = 1; p < 3; ++p) {
    for (int y = 0; y < plain.part(p).pixels.height(); ++y) {
      for (int x = 0; x < plain.part(p).pixels.width(); ++x) {
        const bool card =
            card_at(plain.part(p).windows.data.x + x, plain.part(p).windows.data.y + y) > 0.0F;
        plain.part(p).pixels.at(x, y, 0) = card ? 0.6F : 9.0F;
      }
    }
  }
  const Result<Frame> bent =
      redistort({.premultiplied = Premultiplied::kNot}).apply(std::move(plain), 1);
  REQUIRE(bent);
  for (int y = 0; y < 64; ++y) {
    for (int x = 0; x < 96; ++x) {
      if (bent->pixels.at(x, y, 1) <= 1e-3F) continue;
      REQUIRE(bent->part(1).pixels.at(x, y, 0) == doctest::Approx(0.6).epsilon(1e-3));
    }
  }
}

TEST_CASE(
    "colour that is not multiplied by alpha is weighted by it: nothing bleeds in from where there "
    "is none") {
  // Unseen green beside a red card.
  const auto picture = [](footage::Alpha alpha) {
    Frame frame;
    static_cast<Part&>(frame) =
        make_part("",
                  {{"R", kFloat}, {"G", kFloat}, {"B", kFloat}, {"A", kFloat}},
                  kWide,
                  [](int x, int, int c) {
                    const bool card = x > 50;
                    return c == 3 ? (card ? 1.0F : 0.0F) : (c == 0) == card ? 0.8F : 0.0F;
                  });
    frame.alpha = alpha;
    return frame;
  };
  const auto worst_green = [](const Frame& frame) {
    float worst = 0.0F;
    for (int y = 0; y < 64; ++y) {
      for (int x = 0; x < 96; ++x) {
        if (frame.pixels.at(x, y, 3) > 0.0F)
          worst = std::max(worst, std::abs(frame.pixels.at(x, y, 1)));
        if (frame.pixels.at(x, y, 3) > 0.0F)
          worst = std::max(worst, std::abs(frame.pixels.at(x, y, 0) - 0.8F));
      }
    }
    return worst;
  };
  const Result<Frame> by_format = redistort().apply(picture(footage::Alpha::kUnassociated), 1);
  const Result<Frame> by_word = redistort({.premultiplied = Premultiplied::kNot})
                                    .apply(picture(footage::Alpha::kAssociated), 1);
  const Result<Frame> mistaken = redistort().apply(picture(footage::Alpha::kAssociated), 1);
  REQUIRE(by_format);
  REQUIRE(by_word);
  REQUIRE(mistaken);
  CHECK(worst_green(*by_format) < 1e-4F);
  CHECK(worst_green(*by_word) < 1e-4F);
  CHECK(worst_green(*mistaken) > 0.1F);
  CHECK(by_word->pixels.at(2, 30, 1) == 0.0F);
}

TEST_CASE("NaN in one channel stays there; a part outside the plate gives nothing; 500 channels") {
  Frame frame = make_frame();
  frame.part(1).pixels.at(30, 20, 2) = std::numeric_limits<float>::quiet_NaN();
  frame.pixels.at(70, 40, 0) = std::numeric_limits<float>::quiet_NaN();
  frame.further_parts.push_back(make_part(
      "far", {{"R", kHalf}, {"Z", kFloat}}, {500, 500, 4, 4}, [](int, int, int) { return 7.0F; }));
  std::vector<Named> names;
  std::vector<std::string> memory;
  for (int c = 0; c < 500; ++c)
    memory.push_back((c % 5 == 0 ? "depth" : "layer") + std::to_string(c) + ".R");
  for (const std::string& name : memory) names.push_back({name.c_str(), kHalf});
  frame.further_parts.push_back(
      make_part("many", names, kWide, [](int x, int, int c) { return static_cast<float>(x + c); }));
  const Result<Frame> bent = redistort().apply(std::move(frame), 3);
  REQUIRE(bent);
  const auto off = std::find_if(bent->warnings.begin(), bent->warnings.end(), [](const auto& w) {
    return w.code == "off-display";
  });
  REQUIRE(off != bent->warnings.end());
  CHECK(off->value == 436.0);  // from the bottom, 64, to 500
  CHECK(off->message.find("far: the picture lies wholly outside") != std::string::npos);
  int num_nan = 0;
  for (std::size_t p = 0; p < bent->num_parts(); ++p) {
    const Image<float>& pixels = bent->part(p).pixels;
    for (int y = 0; y < 64; ++y) {
      for (int x = 0; x < 96; ++x) {
        for (int c = 0; c < pixels.channels(); ++c) {
          const bool is_number =
              bent->part(p).channels[static_cast<std::size_t>(c)].format == SampleFormat::kUint32;
          if (is_number || !std::isnan(pixels.at(x, y, c))) continue;
          ++num_nan;
          REQUIRE(((p == 0 && c == 0) || (p == 1 && c == 2)));
        }
        if (p == 2) REQUIRE(pixels.at(x, y, 0) == 0.0F);
        if (p == 3)
          REQUIRE(pixels.at(x, y, 499) - pixels.at(x, y, 495) ==
                  doctest::Approx(4.0).epsilon(0.01));
      }
    }
  }
  CHECK(num_nan > 1);
  CHECK(num_nan < 30);
}

TEST_CASE("motion that leaves the picture is followed by the lens, both ways") {
  for (const MapDirection direction : {MapDirection::kUndistort, MapDirection::kRedistort}) {
    Frame frame;
    static_cast<Part&>(frame) = make_part(
        "", {{"mv.x", kFloat}, {"mv.y", kFloat}}, {-12, -8, 120, 80}, [](int x, int, int c) {
          return c == 1 ? 0.0F : x < 48 ? -30.0F : 30.0F;
        });
    const LensWarp warp{barrel(), {.direction = direction, .overscan = *parse_overscan("auto")}};
    const Result<Frame> made = warp.apply(std::move(frame), 1);
    REQUIRE(made);
    const bool bends = direction == MapDirection::kRedistort;
    int num_beyond = 0;
    for (const int y : {2, 32, 61}) {
      for (const int x : {1, 4, 40, 60, 90, 94}) {
        // The lens's own equations, both ends.
        const Point2d here(x + 0.5, y + 0.5);
        const auto source =
            bends ? lens::undistort_px(barrel(), here) : lens::distort_px(barrel(), here);
        REQUIRE(source);
        const Point2d end = *source + Point2d(source->x() < 48.0 ? -30.0 : 30.0, 0.0);
        const auto there =
            bends ? lens::distort_px(barrel(), end) : lens::undistort_px(barrel(), end);
        if (!there) continue;
        num_beyond += there->x() < 0.0 || there->x() > 96.0 ? 1 : 0;
        const Window& data = made->windows.data;
        const float* found = &made->pixels.at(x - data.x, y - data.y, 0);
        CHECK(found[0] == doctest::Approx(there->x() - here.x()).epsilon(1e-3));
        CHECK(found[1] == doctest::Approx(here.y() - there->y()).epsilon(1e-2));
      }
    }
    CHECK(num_beyond >= 6);
  }
}

TEST_CASE("an overscan by numbers wants parts of one size") {
  const LensWarp warp{
      barrel(), {.direction = MapDirection::kRedistort, .overscan = *parse_overscan("12,8,12,8")}};
  const Result<Frame> mixed = warp.apply(make_frame(), 1);
  REQUIRE_FALSE(mixed);
  CHECK(mixed.error().message.find(
            "part data has another data window than the first, 70x50 and 120x80") !=
        std::string::npos);
  Frame same = make_frame();
  same.further_parts.clear();
  same.further_parts.push_back(
      make_part("again", {{"R", kHalf}}, kWide, [](int, int, int) { return 1.0F; }));
  const Result<Frame> bent = warp.apply(std::move(same), 1);
  REQUIRE(bent);
  CHECK(bent->part(1).windows.display == Window{0, 0, 96, 64});
}

TEST_CASE("32-bit float named like an ID is filtered with a hint, unless somebody has chosen") {
  const auto frame = [](SampleFormat format) {
    Frame made;
    static_cast<Part&>(made) = make_part("",
                                         {{"hairid", format}, {"grid", format}, {"R", format}},
                                         {0, 0, 96, 64},
                                         [](int, int, int) { return 1.0F; });
    return made;
  };
  const auto hints_of = [](const Result<Frame>& made) {
    std::vector<std::string> hints;
    for (const Warning& warning : made->warnings) {
      if (warning.code == "may-be-ids") hints.push_back(warning.message);
    }
    return hints;
  };
  const auto hints = hints_of(redistort().apply(frame(kFloat), 1));
  REQUIRE(hints.size() == 1);
  CHECK(hints[0].find("named like IDs: hairid;") != std::string::npos);
  CHECK(hints_of(redistort().apply(frame(kHalf), 1)).empty());  // half holds no numbers
  for (const ChannelRule rule : {ChannelRule::kFilter, ChannelRule::kNearest}) {
    CHECK(hints_of(redistort({.requests = {{"hairid", rule}}}).apply(frame(kFloat), 1)).empty());
  }
}

TEST_CASE("a request that cannot be met fails the frame; words for ringing") {
  CHECK_FALSE(redistort({.requests = {{"id", ChannelRule::kFilter}}}).apply(make_frame(), 1));
  CHECK(redistort({.requests = {{"Z", ChannelRule::kFilter}}}).apply(make_frame(), 1));
  CHECK(*parse_ringing("limit") == Ringing::kLimit);
  CHECK_FALSE(parse_ringing("none"));
}
