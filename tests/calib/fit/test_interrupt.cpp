// Fits that are asked to stop.

#include <doctest/doctest.h>

#include <atomic>
#include <chrono>
#include <thread>

#include "calib/fit/fit.h"
#include "calib/fit/model_choice.h"
#include "calib/lens/model.h"
#include "tests/calib/fit/synthetic.h"

using namespace trueplate;

TEST_CASE("a flag that is set: no model is fitted, nor chosen") {
  const std::vector<target::View> views =
      tests::synthetic_views(tests::synthetic_lens(), {.num_views = 6}).views;
  const std::atomic<bool> stop{true};
  for (const lens::ModelInfo& model : lens::model_table()) {
    CAPTURE(model.name);
    const auto fit = fit::fit_lens(views, {.model = std::string(model.name), .interrupt = &stop});
    REQUIRE_FALSE(fit);
    CHECK(fit.error().code == ErrorCode::kInterrupted);
  }
  const auto choice = fit::fit_best_model(views, {.interrupt = &stop});
  REQUIRE_FALSE(choice);
  CHECK(choice.error().code == ErrorCode::kInterrupted);
}

TEST_CASE("set while the fit runs: whatever was found by then is not handed out") {
  const std::vector<target::View> views =
      tests::synthetic_views(tests::synthetic_lens(),
                             {.num_views = 20, .columns = 40, .rows = 25, .pitch_mm = 5.0})
          .views;
  for (const int delay_ms : {0, 5, 20, 60, 150}) {
    CAPTURE(delay_ms);
    std::atomic<bool> stop{false};
    std::thread user([&] {
      std::this_thread::sleep_for(std::chrono::milliseconds(delay_ms));
      stop = true;
    });
    const auto choice = fit::fit_best_model(views, {.interrupt = &stop});
    user.join();
    REQUIRE_FALSE(choice);
    CHECK(choice.error().code == ErrorCode::kInterrupted);
  }
}
